"""The page on security names commands that exist, every threat, and the item it deviates from."""

import re

import pytest
import rich_click as click

from api.command_line import main
from tests.supply_chain.locks import ROOT

PAGE = (ROOT / ".github" / "SECURITY.md").read_text(encoding="utf-8")
THREATS = (
    *("THR-S1", "THR-S2", "THR-S3", "THR-T1", "THR-T2", "THR-R1"),
    *("THR-I1", "THR-I2", "THR-I3", "THR-I4", "THR-I5", "THR-D1", "THR-E1", "THR-X1"),
)
# What the items on documentation of OWASP ASVS 5.0.0 ask to be written down.
WRITTEN_DOWN = {
    "V5.1.1 types and sizes": "## What comes in and goes out",
    "V6.1.1 guessing": "## Ways in, and what guards each",
    "V6.1.3 all ways in": "| commands on the server |",
    "V7.1.1 times of sessions": "15 min idle, 12 h at most",
    "V7.1.2 sessions at a time": "several at a time are allowed",
    "V11.1.1 keys and their lives": "## Keys, and who holds them",
    "V11.1.2 algorithms": "Algorithms: AES-256-GCM",
    "V11.2.3 bits": "AES-256-GCM, ChaCha20-Poly1305",
    "V13.1.1 connections": "The server opens no connections of its own",
    "V14.3.3 how long a case stays": "their case stays for years",
    "V14.3.3 files in clear": "Files for transfer and for\n  papers are in clear",
    "V6.3.1 tries of a PIN": "**Tries of a PIN, in all:**",
    "V14.1.1 classes of data": "## What is protected, by class",
    "V14.1.2 how each class is kept": "| class | examples | where it may be | how |",
    "V15.1.1 times for updates": "within 7 days",
    "V15.1.3 costly functions": "Costly answers",
    "V16.1.1 logs": "## Logs",
}


def _is_command(words):
    command = main
    for word in words:
        if not isinstance(command, click.Group):
            return True
        if word not in command.commands:
            return False
        command = command.commands[word]
    return True


def _commands_named():
    named = re.findall(r"`crura ([a-z][a-z -]*[a-z])", PAGE)
    return sorted({" ".join(one.split(" --")[0].split()) for one in named})


@pytest.mark.parametrize("named", _commands_named())
def test_every_command_on_the_page_exists(named):
    """Caught, planted: a command that had been renamed."""
    assert _is_command(named.split()), named


@pytest.mark.parametrize("threat", THREATS)
def test_every_threat_is_met_by_something(threat):
    [row] = [line for line in PAGE.splitlines() if line.startswith(f"| {threat} |")]

    assert len(row.split("|")[3].strip()) > 20


def test_what_a_reader_must_find_written_down_is_there():
    missing = [name for name, words in WRITTEN_DOWN.items() if words not in PAGE]

    assert missing == []


def test_it_says_what_it_is_not_and_how_to_report():
    assert "not a certified medical\ndevice" in PAGE
    assert "## Tell us" in PAGE
    assert "V14.3.3" in PAGE
