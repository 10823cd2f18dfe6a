"""The day of the unit is the one of its site's record, not of the server's place or of a default.

Planted bugs that this caught, one at a time: the zone of the environment used for letters, for
the check of follow-up and by the commands, and a zone that is none believed.
"""

import datetime
import json

import pytest
from click.testing import CliRunner

from api import command_parts
from api.command_line import main
from api.environment import Environment
from api.routes.follow_up_watch import FollowUpWatch
from api.routes.surroundings import Surroundings
from api.storage.unit_store import open_unit_store
from api.use_cases.unit_day import read_unit_zone
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

# 20:00 in UTC on 16 March 2026 is 09:00 on the 17th in Auckland.
EVENING_MS = int(datetime.datetime(2026, 3, 16, 20, tzinfo=datetime.UTC).timestamp() * 1_000)
AUCKLAND = "Pacific/Auckland"


class _Evening(Environment):
    def now_ms(self):
        return EVENING_MS


@pytest.fixture
def store(tmp_path):
    store = open_unit_store(tmp_path, new_generation="generation-1")
    yield store
    store.close()


def _tell(store, **sites):
    story = Story(store, now_ms=NOON_MS)
    with store.transaction():
        for name, zone in sites.items():
            story.write(f"site/{name}", name="Tarn Hollow", time_zone=zone)
    return story


@pytest.mark.parametrize(
    ("zone", "otherwise", "day"),
    [
        (AUCKLAND, "Europe/London", "2026-03-17"),
        ("America/Los_Angeles", AUCKLAND, "2026-03-16"),
        ("no zone", "Europe/London", "2026-03-16"),
        ("no zone", AUCKLAND, "2026-03-17"),
        ("", AUCKLAND, "2026-03-17"),
    ],
)
def test_the_day_is_that_of_the_record(store, zone, otherwise, day):
    """[HAZ-45]"""
    _tell(store, one=zone)
    around = Surroundings(store, _Evening(otherwise), build="b", local_key="k")

    assert around.today() == day


def test_a_struck_site_names_no_zone(store):
    story = _tell(store, one=AUCKLAND)
    with store.transaction():
        story.write("site/one", sees=False, retract=(story.log[0].reference,))

    assert read_unit_zone(store, otherwise="Europe/London") == "Europe/London"


def test_the_check_of_follow_up_is_one_of_that_day(store):
    """[HAZ-44] Also of the next one, once it has begun where the unit is."""
    _tell(store, one=AUCKLAND)

    assert FollowUpWatch(store, _Evening()).check_now().as_of_on == "2026-03-17"


def test_letters_reminders_and_lists_are_of_that_day(unit, a):
    """[HAZ-45] Their day is asked for with the zone of the unit."""
    asked = unit.environment.zones
    with unit.store.transaction():
        Story(unit.store, now_ms=NOON_MS).write("site/one", name="Tarn Hollow", time_zone=AUCKLAND)
    headers = {"headers": a}
    letters = {"kind": "appointment", "visits": ["visit/v-1"]}

    for ask in (
        lambda: unit.client.post("/api/letters", json=letters, **headers),
        lambda: unit.client.get("/api/reminders", **headers),
        lambda: unit.client.get("/api/bookings/over", **headers),
        lambda: unit.client.get("/api/follow-up-check?now=true", **headers),
        lambda: unit.client.get("/api/failsafe-list", **headers),
        lambda: unit.client.get("/api/follow-up-measures", **headers),
    ):
        asked.clear()
        assert ask().status_code in (200, 422), ask().text
        assert set(asked) == {AUCKLAND}


def test_commands_are_of_that_day(tmp_path, monkeypatch):
    monkeypatch.setattr(command_parts, "ENVIRONMENT", _Evening())
    store = open_unit_store(tmp_path, new_generation="generation-1")
    _tell(store, one=AUCKLAND)
    store.close()

    answer = CliRunner().invoke(
        main, ["check-follow-up", "--format", "json", "--data", str(tmp_path)]
    )

    assert json.loads(answer.output)["as_of_on"] == "2026-03-17", answer.output
