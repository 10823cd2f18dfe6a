"""Each of the 25 named proofs of the record is where DEVELOPERS.md says, and nowhere else."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NAMES = (
    "converge_any_delivery",
    "concurrent_never_hidden",
    "replaces_is_what_was_seen",
    "field_group_atomic",
    "physical_facts_only_grow",
    "resolution_race",
    "signoff_pins_heads",
    "apply_idempotent_commutative",
    "kill9_push",
    "kill9_pull_checkpoint",
    "answer_lost_after_commit",
    "torn_batch",
    "power_loss_after_ack",
    "disk_full",
    "storage_evicted",
    "clock_jumps",
    "cloned_device",
    "two_tabs_one_counter",
    "server_restored_from_backup",
    "old_batch_replayed",
    "forged_op",
    "schema_from_the_future_and_past",
    "backlog_10k_flaky_link",
    "partition_heal_two_sites",
    "scopes_roles_erasure",
)
ROW = re.compile(r"^\| `(\w+)` \| (.+?) \| .+ \|$", re.MULTILINE)
FILE = re.compile(r"`([^`]+)`")


def _listed() -> dict[str, set[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text()
    return {name: set(FILE.findall(files)) for name, files in ROW.findall(text) if name in NAMES}


def _found() -> dict[str, set[str]]:
    tests = [
        *ROOT.glob("tests/**/test_*.py"),
        *ROOT.glob("pwa/src/**/*.test.ts"),
    ]
    texts = {
        str(file.relative_to(ROOT)): file.read_text()
        for file in tests
        if file != Path(__file__).resolve()
    }
    return {name: {file for file, text in texts.items() if name in text} for name in NAMES}


def test_every_named_proof_is_in_the_tests_that_the_table_lists():
    """Caught, planted and taken out again: a test that carried a name was called otherwise."""
    found = _found()

    assert [name for name in NAMES if not found[name]] == []
    assert _listed() == found
