"""What the stories and the file of past cases tell as outcomes, held against them by hand.

Planted bugs that this caught: a case with an open follow-up told as "did not bleed", a
complication without a day told as none, rows kept that something written since has changed.
"""

import csv
import io
import itertools
from collections import Counter
from pathlib import Path

import pytest

from api.storage.unit_store import open_unit_store
from api.use_cases.import_cases import take_past_cases
from api.use_cases.load_scenario import load_scenario
from api.use_cases.own_outcomes import read_own_rows
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from api.use_cases.server_log import Chance

FOLDER = Path(__file__).resolve().parents[2] / "seed_scenarios"
PAST = FOLDER / "past_cases" / "tarn_hollow.csv"
TODAY = "2026-03-16"
# As the stories tell: case, coils, pure adhesive in microlitres, Doppler at the end, and of the
# visits whose window has passed or that were seen, how many were kept.
STORIES = {
    "case/fenwright-1": (2, 2_000, "none", 2, 2),
    "case/emergency-0214": (2, 3_000, "none", 0, 0),
    "case/dunmorrow-1": (3, 0, "none", 4, 3),
    "case/saltmarsh-1": (2, 1_000, "none", 1, 0),
    "case/oxbarrow-1": (2, 500, "none", 3, 3),
    "case/greyfen-1": (1, 1_000, "none", 4, 3),
}


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path, new_generation="generation-1")
    for path in sorted(FOLDER.glob("[0-9]*.json")):
        load_scenario(opened, path.stem, path.read_bytes())
    yield opened
    opened.close()


def _read(store, **ask):
    report = read_outcomes(store, OutcomeAsk(**ask), now_ms=1, on=TODAY, time_zone="UTC")
    return report, {one.outcome: one for one in report.outcomes}


def test_the_stories_tell_their_outcomes(store):
    rows = {row.record: row for row in read_own_rows(store, on=TODAY, time_zone="UTC")}

    # Two stories are not treated yet.
    assert set(rows) == set(STORIES)
    for case, (coils, adhesive_ul, _, due, kept) in STORIES.items():
        told = rows[case]
        assert (told.coils, told.adhesive_ul) == (coils, adhesive_ul), case
        assert (told.windows_due, told.windows_kept) == (due, kept), case
    report, outcomes = _read(store)
    assert [(one.name, one.cases) for one in report.units] == [
        ("Tarn Hollow Hospital, endoscopy (invented)", 6)
    ]
    gone = outcomes["flow_gone_at_end"]
    assert (gone.happened, gone.judged, gone.missing) == (6, 6, 0)
    # Nobody was looked at by ultrasound since, and nobody was treated a year ago.
    for outcome, missing in (
        *(("obliteration", 6), ("late_rebleed", 0), ("unplanned_reintervention", 0)),
    ):
        told = outcomes[outcome]
        assert (told.happened, told.judged, told.missing) == (0, 0, missing), outcome
        assert told.not_due == 6 - missing
        assert (told.low, told.high) == (None, None)
    # One was treated today, one was never reached; four were asked after a week and had not bled.
    early = outcomes["early_rebleed"]
    assert (early.happened, early.judged, early.missing, early.not_due) == (0, 4, 1, 1)
    windows = outcomes["seen_in_window"]
    assert (windows.happened, windows.judged, windows.missing) == (11, 14, 1)
    assert report.cautions == []
    assert {one.month: one.cases for one in report.months} == {
        **{"2025-11": 1, "2025-12": 1, "2026-02": 2, "2026-03": 2},
    }


def test_the_past_cases_tell_their_outcomes(store):
    """Reckoned from the file itself, which comes after a first reading."""
    assert _read(store)[0].cases == len(STORIES)
    number = itertools.count()

    def draw():
        at = next(number)
        return Chance(
            new_id=f"drawn-{at}",
            new_epoch="epoch1",
            salt=f"{at:032x}",
            now_ms=1_773_662_400_000 + at,
        )

    content = PAST.read_bytes()
    take_past_cases(
        store,
        PAST.name,
        content,
        by="staff/wren-quillfeather",
        because="Cases before this server.",
        on=TODAY,
        draw_chance=draw,
    )
    until_on = "2025-10-31"
    rows = [
        row
        for row in csv.DictReader(io.StringIO(content.decode()))
        if row["procedure_on"] <= until_on
    ]

    report, outcomes = _read(store, until_on=until_on)

    assert report.cases == len(rows) > 40
    looked = [row["last_visit_obliterated"] for row in rows if row["last_visit_on"]]
    obliteration = outcomes["obliteration"]
    assert obliteration.happened == looked.count("yes") > 20
    assert obliteration.judged == looked.count("yes") + looked.count("no")
    assert obliteration.missing == len(rows) - obliteration.judged
    # Of an embolism told without its day nobody can say that it came within thirty.
    embolisms = [row for row in rows if row["adverse_event"] == "embolism"]
    dated = [row for row in embolisms if row["adverse_event_on"]]
    assert 0 < len(dated) < len(embolisms)
    assert outcomes["embolism"].happened == len(dated)
    place = [one.outcome for one in report.outcomes].index("embolism")
    own_rows = read_own_rows(store, on=TODAY, time_zone="UTC")
    marks = Counter((row.treated_on, row.verdicts[place]) for row in own_rows)
    for row in embolisms:
        told = "1" if row["adverse_event_on"] else "-"
        assert marks[row["procedure_on"], told] >= 1, row["procedure_on"]
    flows = [row["flow_at_end"] for row in rows]
    flow_gone = outcomes["flow_gone_at_end"]
    assert (flow_gone.happened, flow_gone.missing) == (flows.count("none"), flows.count(""))
    every = list(csv.DictReader(io.StringIO(content.decode())))
    own = read_own_rows(store, on=TODAY, time_zone="UTC")
    # Nobody bled twice, and all of them within a year. A bleed of one who was never seen again is
    # not counted: of those who were not seen again, only the ones who bled would be (RG18).
    all_bled = [row for row in every if row["rebleed_on"]]
    bled = sorted(row["rebleed_source"] for row in all_bled if row["last_visit_on"])
    assert len(bled) < len(all_bled)
    assert sorted(one.source for one in own if one.rebleed_end == "rebleed") == bled
    assert len(set(bled)) > 2
    died = [row["ended_because"] for row in every].count("died")
    assert [one.death_end for one in own].count("death") == died > 2
    delivered = [row["delivered"] for row in rows]
    success = outcomes["technical_success"]
    assert (success.happened, success.missing) == (delivered.count("yes"), delivered.count(""))
    coils = [bool(row["coil_1_lot"]) + bool(row["coil_2_lot"]) for row in rows]
    (amount,) = (one for one in report.amounts if one.amount == "coils")
    assert (amount.cases, amount.median) == (len(rows), sorted(coils)[len(coils) // 2])


def test_what_is_read_follows_what_is_written(store):
    before, _ = _read(store)
    again, _ = _read(store)
    assert again == before
    narrowed, _ = _read(store, mix="varix_class:GOV2")
    assert narrowed.cases == 4
    assert narrowed.units[0].cases == 4
