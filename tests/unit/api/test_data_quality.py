"""Rules of data quality: every planted error is found, and nothing where nothing is wrong.

Planted bugs that this caught: the lot of a package not looked at, an act a day late told, the
mixture compared by its numbers and not its proportion, struck records still counted, the day of
expiry itself taken for expired, one short axis of two taken for both, an item of no kind counted.
"""

# ruff: noqa: S608  field names of our own file
import pathlib
import sqlite3

import msgspec
import pytest

from api.quality.completeness import CompletenessLine, count_completeness
from api.quality.judge_records import judge_records
from api.quality.quality_rules import (
    QualityRuleError,
    packaged_quality_rules,
    read_quality_rules,
)
from api.quality.unit_records import KINDS
from api.registry.fold_months import fold_months
from api.storage.unit_store import open_unit_store
from api.use_cases.load_scenario import load_scenario
from api.use_cases.report_quality import count_quality, gather_records, report_quality
from sync.merge import FieldState, HeldValue, canonical_text
from tests.unit.api.clinic_story import Story
from tests.unit.api.quality_records import TODAY, tell_case, tell_clean_unit
from tests.unit.api.standing_unit import NOON_MS

SEEDS = sorted((pathlib.Path(__file__).parents[3] / "seed_scenarios").glob("0*.json"))
DEVICE = {"lot": "VK4417", "expires_on": "2028-04-30"}
MIX = {"agent": "n-butyl-2-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 1, "mix_ul": 500}
WINDOW = {"earliest_on": "2026-09-20", "target_on": "2026-09-19", "latest_on": "2026-10-20"}


@pytest.fixture
def story(tmp_path):
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    told = Story(store, device="tablet-a", now_ms=NOON_MS)
    tell_clean_unit(told)
    yield told
    store.close()


def _found(store):
    return [(row.rule, row.record) for row in report_quality(store, on=TODAY).to_mend]


def _strike(story, record):
    state = story.store.views.state_of(record)
    references = tuple(ref for field in state.fields.values() for ref in field.references)
    story.write(record, retract=references)


def _second_coil(story, **changed):
    """One more coil of case a out of the spare package, an hour later: no double of the first."""
    fields = {
        "case": "case/a",
        "target": "target/a",
        "package": "package_opened/a-spare",
        "slot": 2,
        "device": DEVICE,
        "at": "2026-08-03T09:30:00+00:00",
        **changed,
    }
    story.now_ms += 3_600_000
    story.write("package_opened/a-spare", fate="placed")
    story.write("coil_placed/a2", **fields)


def _aliquot(story, **changed):
    story.now_ms += 3_600_000
    fields = {"case": "case/a", "target": "target/a", "amount": MIX, "device": DEVICE, **changed}
    story.write("adhesive_injected/a2", at="2026-08-03T09:30:00+00:00", **fields)


def _treat_again(story, **fields):
    """One more case of patient a that is not closed, with one coil."""
    story.now_ms += 3_600_000
    visit = {"earliest_on": "2026-09-22", "target_on": "2026-10-02", "latest_on": "2026-10-21"}
    story.write("case/c", patient="patient/a", stage="in-procedure", **fields)
    story.write("target/c", case="case/c", size={"short_axis_um": 9_000, "origin": "measured"})
    story.write("coil_placed/c", case="case/c", target="target/c", slot=1, device=DEVICE)
    story.write(
        "visit/c",
        patient="patient/a",
        case="case/c",
        plan_visit="clinic_1w",
        window=visit,
        status="to-book",
        owner_role="booking",
    )


PLANTED = {
    "lot-missing": (
        lambda it: [
            it.write("package_opened/a-spare", device={"expires_on": "2028-04-30"}),
            _second_coil(it, device={}),
        ],
        "coil_placed/a2",
    ),
    "lot-unknown": (
        lambda it: _aliquot(it, device={"lot_unknown": True}),
        "adhesive_injected/a2",
    ),
    "lot-differs": (
        lambda it: _second_coil(it, device={**DEVICE, "lot": "VK4418"}),
        "coil_placed/a2",
    ),
    "expired-at-case": (
        lambda it: it.write(
            "package_opened/b-needle", device={"lot": "N1", "expires_on": "2026-09-13"}
        ),
        "package_opened/b-needle",
    ),
    "coil-count": (
        lambda it: it.write("package_opened/a-spare", fate="placed"),
        "case/a",
    ),
    "adhesive-parts": (
        lambda it: _aliquot(it, amount={**MIX, "parts_oil": 2}),
        "adhesive_injected/a2",
    ),
    "identity-unconfirmed": (
        lambda it: it.write("patient/a", identity="to-be-confirmed"),
        "patient/a",
    ),
    "patient-missing": (lambda it: _strike(it, "patient/b"), "case/b"),
    "patient-twice": (
        lambda it: it.write("patient/x", family_name="Nobody", local_id="th a"),
        "patient/a",
    ),
    "double-entry": (
        lambda it: [
            it.write(f"coil_placed/twin-{one}", case="case/w", device={**DEVICE, "serial": "S-7"})
            for one in "ab"
        ],
        "coil_placed/twin-a",
    ),
    "open-conflict": (
        lambda it: it.write("case/a", sees=False, cause="alcohol"),
        "case/a",
    ),
    "no-follow-up": (lambda it: _strike(it, "visit/a"), "case/a"),
    "size-estimated": (
        lambda it: it.write("target/a", size={"short_axis_um": 14_000, "origin": "estimated"}),
        "target/a",
    ),
    "size-missing": (
        lambda it: it.write("target/a", size={"long_axis_um": 14_000, "origin": "measured"}),
        "target/a",
    ),
    "day-missing": (lambda it: _treat_again(it), "case/c"),
    "treated-in-future": (
        lambda it: _treat_again(it, procedure_on="2026-09-22"),
        "case/c",
    ),
    "act-on-other-day": (
        lambda it: _second_coil(it, at="2026-08-05T00:00:00+00:00"),
        "coil_placed/a2",
    ),
    "born-impossible": (lambda it: it.write("patient/a", born_on="2026-09-22"), "patient/a"),
    "look-impossible": (lambda it: it.write("visit_result/b", on="2026-09-13"), "visit_result/b"),
    "laboratory-in-future": (
        lambda it: it.write(
            "lab_result/a-inr",
            result={"value_milli": 1_100, "unit": "", "taken_on": "2026-09-22"},
        ),
        "lab_result/a-inr",
    ),
    "window-out-of-order": (lambda it: it.write("visit/a", window=WINDOW), "visit/a"),
    "not-signed": (lambda it: _strike(it, "sign_off/b"), "case/b"),
    "events-not-asked": (lambda it: _strike(it, "complication/b"), "case/b"),
}


def test_the_clean_unit_has_nothing_to_mend(story):
    """[DM-03] [DQ2]"""
    assert _found(story.store) == []


def test_every_rule_is_planted():
    """[DM-03]"""
    assert set(PLANTED) == set(packaged_quality_rules().rules)


@pytest.mark.parametrize("rule", PLANTED)
def test_a_planted_error_is_found_and_nothing_else(story, rule):
    """[DM-03] [DQ1] [DQ2]"""
    plant, record = PLANTED[rule]
    with story.store.transaction():
        plant(story)

    assert _found(story.store) == [(rule, record)]


# Of which kind a record that a rule finds is, by what the rule says that it counts.
COUNTED = {
    "case": ("case", "patient"),
    "patient": ("patient",),
    "pair": ("patient", "coil_placed", "adhesive_injected"),
    "conflict": ("case",),
    "visit": ("visit",),
    "look": ("visit_result",),
    "laboratory": ("lab_result",),
    "target": ("target",),
    "act": ("coil_placed", "adhesive_injected", "puncture", "package_opened"),
    "device": ("coil_placed", "adhesive_injected", "package_opened"),
    "coil": ("coil_placed",),
    "aliquot": ("adhesive_injected",),
}


@pytest.mark.parametrize("rule", PLANTED)
def test_each_rule_names_what_it_counts(story, rule):
    """[DM-03] [DQ1] Caught: seven coils of one case were told as "7 of 42 cases".

    A rule counts cases where each of its findings is of another case, and no other rule does.
    """
    counts = packaged_quality_rules().rules[rule].counts
    plant, record = PLANTED[rule]
    with story.store.transaction():
        plant(story)
    (found,) = judge_records(gather_records(story.store, on=TODAY))

    assert record.partition("/")[0] in COUNTED[counts]
    assert (counts == "pair") == (found.other.partition("/")[0] in COUNTED["pair"])
    if counts == "case":
        assert found.case


def test_a_patient_of_two_cases_whom_nobody_confirmed_counts_as_two_cases(story):
    """[DQ1] The rule counts cases: each was treated without knowing who it was."""
    with story.store.transaction():
        _treat_again(story, procedure_on="2026-09-14")
        story.write("patient/a", identity="to-be-confirmed")

    found = judge_records(gather_records(story.store, on=TODAY))
    cases = [one.case for one in found if one.rule == "identity-unconfirmed"]

    assert sorted(cases) == ["case/a", "case/c"]


def test_what_is_wrong_is_told_apart_from_what_the_unit_does():
    """[DM-03] [DQ1] Caught: a hub, which has no Decisions, said "Choose one under Decisions."."""
    for rule in packaged_quality_rules().rules.values():
        assert rule.finding.count(".") == 1, rule.rule
        for place in ("Decisions", "Surveillance"):
            assert place not in rule.finding, rule.rule
        assert rule.sentence == f"{rule.finding} {rule.act}"


@pytest.mark.parametrize(
    "right",
    [
        # On its last day a device may be used.
        lambda it: it.write(
            "package_opened/b-needle", device={"lot": "N1", "expires_on": "2026-09-14"}
        ),
        # An act a day from the case: near midnight, or by the clock of another zone.
        lambda it: _second_coil(it, at="2026-08-04T23:59:00+00:00"),
        # The lot stands with the package.
        lambda it: _second_coil(it, device={}),
        # A coil struck counts for nothing.
        lambda it: [
            it.write("coil_placed/a9", case="case/a", target="target/a", slot=9),
            _strike(it, "coil_placed/a9"),
        ],
        # The same day: treated, looked at, taken.
        lambda it: it.write("visit_result/b", on="2026-09-14"),
        lambda it: it.write("visit_result/b", on=TODAY),
        # Taken in from a file of past cases: nobody confirmed and signed it here.
        lambda it: [
            it.write("case/b", imported_in="past_import/x"),
            it.write("patient/b", identity="to-be-confirmed"),
            _strike(it, "sign_off/b"),
        ],
        # The same name, another birth date.
        lambda it: it.write(
            "patient/x", family_name="Greyfen", given_name="Tobias", born_on="1960-03-01"
        ),
    ],
)
def test_what_is_right_is_not_told(story, right):
    """[DM-03]"""
    with story.store.transaction():
        right(story)

    assert _found(story.store) == []


def test_all_planted_at_once_are_found(tmp_path):
    """[DM-03] The count of every rule of several units' errors together."""
    totals = {}
    for rule, (plant, _) in PLANTED.items():
        store = open_unit_store(tmp_path / rule, new_generation="g")
        story = Story(store, device="tablet-a", now_ms=NOON_MS)
        tell_clean_unit(story)
        with store.transaction():
            plant(story)
        for name, count in count_quality(store, on=TODAY).quality.items():
            totals[name] = totals.get(name, 0) + count
        store.close()

    assert totals == dict.fromkeys(sorted(PLANTED), 1)


def test_the_seeded_unit_has_what_its_stories_tell_and_nothing_else(tmp_path):
    """[DM-03] [DQ2] By hand from the stories: the night's case lacks a lot, a measured size and a
    plan; a phone number has two answers; nobody signs in a story.
    """
    store = open_unit_store(tmp_path / "seeded", new_generation="generation-1")
    for path in SEEDS:
        load_scenario(store, path.stem, path.read_bytes())

    found = {(row.rule, row.record, row.other) for row in _report(store).to_mend}
    store.close()

    night = "case/emergency-0214"
    assert found == {
        ("lot-unknown", "coil_placed/emergency0214030", ""),
        ("size-estimated", "target/emergency-0214-a", ""),
        ("no-follow-up", night, ""),
        ("open-conflict", "patient/wendeline-oxbarrow", "phone"),
        *(
            ("not-signed", f"case/{one}-1", "")
            for one in ("greyfen", "oxbarrow", "dunmorrow", "fenwright", "saltmarsh")
        ),
    }


def _report(store):
    return report_quality(store, on="2026-03-16")


def test_completeness_is_what_plain_sql_counts(tmp_path):
    """[DM-04] [DQ3] [DQ4] Counted again by SQL over every value that stands, field by field."""
    store = open_unit_store(tmp_path / "seeded", new_generation="generation-1")
    for path in SEEDS:
        load_scenario(store, path.stem, path.read_bytes())
    told = {
        (line.month, line.field): (line.filled, line.disagreed, line.of)
        for line in _report(store).completeness
    }
    values = _values(store)
    store.close()

    counted = {}
    for field, kind, sql in _questions():
        rows = values.execute(sql, {"kind": kind, "field": field}).fetchall()
        counted.update({(month, field): (filled, 0, of) for month, filled, of in rows})
    assert told == counted
    assert len({field for _, field in told}) == len(packaged_quality_rules().fields)


def _values(store):
    """Return every standing value as rows of one table: record, kind, field, part, text."""
    database = sqlite3.connect(":memory:")
    database.execute("CREATE TABLE v (record, kind, field, part, text)")
    with store.transaction():
        for kind in store.catalogue.kinds:
            for state in store.views.of_kind(kind):
                for field, held in state.fields.items():
                    value = held.values[-1].value
                    parts = value if isinstance(value, dict) else {"": value}
                    rows = [
                        (state.record, kind, field, part, canonical_text(one))
                        for part, one in parts.items()
                        if one not in (None, "", []) and not held.is_conflict
                    ]
                    if isinstance(value, dict) and value:
                        rows.append((state.record, kind, field, "", "structure"))
                    database.executemany("INSERT INTO v VALUES (?, ?, ?, ?, ?)", rows)
    # Cases of which somebody was treated, with the month.
    database.execute(
        "CREATE VIEW treated AS SELECT DISTINCT c.record AS name,"
        " '\"' || c.record || '\"' AS quoted,"
        " COALESCE((SELECT substr(d.text, 2, 7) FROM v AS d WHERE d.record = c.record"
        " AND d.field = 'procedure_on'), '') AS month"
        " FROM v AS c WHERE c.kind = 'case' AND ("
        " (c.field = 'stage' AND c.text IN ('\"closed\"', '\"closing\"')) OR EXISTS ("
        " SELECT 1 FROM v AS a WHERE a.kind IN ('coil_placed', 'adhesive_injected')"
        " AND a.field = 'case' AND a.text = '\"' || c.record || '\"'))"
    )
    return database


def _questions():
    """Yield each field with its kind and the statement that counts it by month."""
    for one in packaged_quality_rules().fields:
        field, part = one.path[0], one.path[1] if len(one.path) > 1 else ""
        has = (
            "EXISTS (SELECT 1 FROM v AS f WHERE f.record = r.record"
            f" AND f.field = '{field}' AND f.part = '{part}')"
        )
        analyte = (
            " AND EXISTS (SELECT 1 FROM v AS w WHERE w.record = r.record"
            f" AND w.field = 'analyte' AND w.text = '\"{one.where}\"')"
            if one.where
            else ""
        )
        if one.kind == "case":
            of_case = "r.record = t.name"
        elif one.kind == "patient":
            of_case = (
                "'\"' || r.record || '\"' = (SELECT p.text FROM v AS p WHERE p.record = t.name"
                " AND p.field = 'patient')"
            )
        else:
            of_case = (
                "EXISTS (SELECT 1 FROM v AS c WHERE c.record = r.record AND c.field = 'case'"
                " AND c.text = t.quoted)"
            )
        records = f"(SELECT DISTINCT record FROM v WHERE kind = '{one.kind}') AS r"
        some = f"EXISTS (SELECT 1 FROM {records} WHERE {of_case}{analyte} AND {has})"
        none_without = f"NOT EXISTS (SELECT 1 FROM {records} WHERE {of_case} AND NOT {has})"
        asked = f"EXISTS (SELECT 1 FROM {records} WHERE {of_case})" if one.is_every else "1"
        filled = none_without if one.is_every else some
        yield (
            one.field,
            one.kind,
            f"SELECT t.month, SUM({filled}), COUNT(*) FROM treated AS t"
            f" WHERE {asked} GROUP BY t.month",
        )


def test_an_answer_that_two_people_gave_differently_is_told_apart(story):
    """[DM-04] [DQ3]"""
    with story.store.transaction():
        story.write("case/a", sees=False, cause="alcohol")
        story.write("case/b", ascites=None)

    report = report_quality(story.store, on=TODAY)
    lines = {(one.month, one.field): one for one in report.completeness}

    assert (lines["2026-08", "cause"].filled, lines["2026-08", "cause"].disagreed) == (0, 1)
    assert (lines["2026-09", "ascites"].filled, lines["2026-09", "ascites"].disagreed) == (0, 0)
    # No and nought are answers.
    assert lines["2026-08", "past-bleeds"].filled == 1


def test_months_of_long_ago_are_told_as_one(tmp_path):
    """[DM-04] [DQ4] Four years back to the month: unit setting (project default)."""
    store = open_unit_store(tmp_path / "old", new_generation="g")
    story = Story(store, device="tablet-a", now_ms=NOON_MS)
    days = ("2010-01-05", "2022-08-31", "2022-09-01", "2022-09-30")
    for number in range(12):
        with store.transaction():
            on = days[number % 4]
            tell_case(story, f"{number}", name=f"Other {number}", born_on="1960-01-01", on=on)
    with store.transaction():
        story.write("case/0", cause=None)

    lines = count_quality(store, on=TODAY).completeness
    store.close()

    told = {(one.month, one.field): (one.filled, one.disagreed, one.of) for one in lines}
    assert {month for month, _ in told} == {"earlier", "2022-09"}
    assert told["earlier", "cause"] == (5, 0, 6)
    assert told["2022-09", "cause"] == (6, 0, 6)


def _line(month, of, field="cause"):
    return CompletenessLine(month=month, field=field, filled=of - 1, disagreed=1, of=of)


@pytest.mark.parametrize(
    ("months", "told"),
    [
        ({"2026-05": 4}, {}),
        ({"2026-05": 5}, {"2026-05": 5}),
        # Of one quarter, of two of a year, of two years; what is large stands by itself.
        ({"2026-04": 4, "2026-05": 9, "2026-06": 1}, {"2026-05": 9, "2026-Q2": 5}),
        ({"2026-03": 4, "2026-04": 1, "2026-07": 6}, {"2026": 5, "2026-07": 6}),
        ({"2025-12": 4, "2026-01": 1}, {"earlier": 5}),
        ({"2025-12": 3, "2026-01": 1}, {}),
        # An unknown day, and months of long ago.
        ({"": 5, "2026-01": 4, "2019-03": 2}, {"": 5, "earlier": 6}),
        ({"": 4, "2026-01": 1}, {"earlier": 5}),
        ({"2022-08": 5, "2022-09": 5}, {"2022-09": 5, "earlier": 5}),
    ],
)
def test_no_span_that_leaves_a_unit_is_of_fewer_than_five_cases(months, told):
    """[DQ4] [HAZ-49] Each field by itself; no case is in two spans. The planted bug it has caught:
    true months of single cases, known by which of their fields are filled.
    """
    lines = [_line(month, of) for month, of in months.items()]
    other = _line("2026-05", 7, "sex")

    found = fold_months([*lines, other], from_month="2022-09")

    assert {one.month: one.of for one in found if one.field == "cause"} == told
    assert [one for one in found if one.field == "sex"] == [other]
    assert all(one.of >= 5 and one.filled + one.disagreed == one.of for one in found)


_JUNK = (None, True, -1, "x", "2026-02-30", [], ["x"], [{}], {}, {"x": {}})


def _with(state, field, value):
    held = HeldValue(value=value, references=("r",), by="", stamp="")
    fields = {**state.fields, field: FieldState(values=(held,), is_conflict=False)}
    return msgspec.structs.replace(state, fields=fields)


def _ill_shaped(catalogue, kind):
    """Yield fields and values of another shape: whole, and in each part of a structure."""
    for field in catalogue.kinds[kind].fields:
        for junk in _JUNK:
            yield field.id, junk
            for part in field.fields:
                yield field.id, {part["id"]: junk}


@pytest.mark.parametrize("kind", KINDS)
def test_a_value_of_another_shape_is_missing_and_never_an_error(story, kind):
    """[DM-03] [DQ2] A device may write anything into a field."""
    records = gather_records(story.store, on=TODAY)
    first, *others = records.states[kind]
    for field, junk in _ill_shaped(story.store.catalogue, kind):
        states = {**records.states, kind: [_with(first, field, junk), *others]}
        changed = msgspec.structs.replace(records, states=states)

        judge_records(changed)

        lines = count_completeness(changed, packaged_quality_rules().fields)
        assert all(line.filled + line.disagreed <= line.of for line in lines)


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"{", "cannot be read"),
        (b'{"version":1,"rules":[],"completeness":[],"note":"","more":1}', "cannot be read"),
    ],
)
def test_a_broken_file_of_rules_is_refused(content, part):
    """[DQ1]"""
    with pytest.raises(QualityRuleError, match=part):
        read_quality_rules(content)
