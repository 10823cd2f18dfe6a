"""[SEC-21] [SEC-22] [FU-11] Chains of requests, by every role, at a unit and at a hub.

What one answer names goes into the next request: something is made, read back, changed, ended, and
ended once more. Nothing breaks the server, each answer is as the description says or is problem
details in one sentence, and who has no business with care sees neither a word nor a field of it.

Planted and caught, each by a chain alone: a break where a calendar is closed that was closed, where
somebody leaves who has left, and where an export is decided that was decided; a pull that brings
care to a booking desk once it has pushed; a recall that names patients to the unit admin once it
was acknowledged. Calendars that only refuse are red too: no link was followed.
Found where nothing was planted: `test_few_windows`.

`REQUESTS` walks more often (`make soak`).
"""

import os

import pytest

from tests.safety.care_canaries import READ_NO_CARE
from tests.safety.chain_machine import PlantedServer, count_open, open_jobs, walk
from tests.safety.drawn_requests import (
    KNOWN,
    judge_without_care,
    planted_unit,
    serving_at_any_pace,
)
from tests.safety.linked_hub_requests import links_of_hub
from tests.safety.linked_requests import links_of_anybody
from tests.safety.linked_unit_requests import links_of_unit
from tests.safety.planted_network import plant_asked_by_the_hub, plant_hub

WALKS = int(os.environ.get("REQUESTS", "3"))
STEPS = 25
READ_CARE = ("bedside", "endoscopist", "assistant", "anaesthetist")
AT_THE_HUB = ("unit", "data-manager", "auditor", "unit-admin", "endoscopist")


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    with planted_unit(tmp_path_factory.mktemp("chains") / "planted") as standing:
        plant_asked_by_the_hub(standing.store)
        yield PlantedServer(standing)


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    with serving_at_any_pace(tmp_path_factory.mktemp("hub") / "planted", as_hub=True) as standing:
        assert plant_hub(standing) > 20
        yield PlantedServer(standing, as_hub=True)


def _walk(server, asker, jobs, judge) -> None:
    """Walk every job in which somebody gets on, and see that it did get on."""
    for job, links in (open_jobs(asker, jobs) or links_of_anybody()).items():
        known = KNOWN | {"device": [f"{asker}-1"]}
        walked = walk(server, asker, links, known=known, judge=judge, walks=WALKS, steps=STEPS)

        followed, there_are = len(walked.links()), count_open(asker, links)
        assert followed >= max(2, there_are // 4), f"{asker}, {job}: {followed} of {there_are}"
        assert walked.longest >= 3, f"{asker}, {job}: no chain of three"


@pytest.mark.parametrize("asker", READ_CARE)
def test_no_chain_of_who_reads_care_breaks_the_server(unit, asker):
    _walk(unit, asker, links_of_unit(asker), lambda asked, answer: None)


@pytest.mark.parametrize("asker", READ_NO_CARE)
def test_no_chain_brings_care_to_who_reads_none(unit, asker):
    _walk(
        unit,
        asker,
        links_of_unit(asker),
        lambda asked, answer: judge_without_care(asker, asked, answer),
    )


@pytest.mark.parametrize("asker", AT_THE_HUB)
def test_no_chain_at_the_hub_breaks_it_or_tells_of_a_patient(hub, asker):
    """What an approved export holds is proved by its own tests; here it is one archive."""
    _walk(
        hub,
        asker,
        links_of_hub(asker),
        lambda asked, answer: judge_without_care(asker, asked, answer),
    )
