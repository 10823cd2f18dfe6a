"""The life of a rule file: vectors, the book in training and live, and a unit that goes live."""

import hashlib
import json

import pytest

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook, read_listing
from api.clinical_rules.rule_release import Approval, Release, judge_release
from api.clinical_rules.rule_trial import try_rule_file
from api.clinical_rules.sizing_limits import LimitRow
from api.clinical_rules.step_protocol import read_protocol
from api.storage.packaged_files import read_packaged_rule_files
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.answer_calculation import answer_calculation
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.invite_device import invite_device
from api.use_cases.older_copy import PUT_BACK
from api.use_cases.release_rule_files import (
    approve_rule_file,
    go_live,
    list_rule_files,
    propose_rule_file,
    record_of,
    retire_rule_file,
)
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.unit_rules import read_unit_rules
from sync.clock import Stamp
from sync.operation import Body, make_operation
from tests.unit.api.standing_unit import StandingUnit, Writer, texts
from tests.unit.sync.vectors import cases

ON = "2026-03-16"
CONTENTS = read_packaged_rule_files()
LIMITS = CONTENTS["sizing/limits.v1.json"]
SHA = hashlib.sha256(LIMITS).hexdigest()
LATEST = CONTENTS[f"sizing/limits.v{read_listing(CONTENTS)['sizing/limits']}.json"]


def by(name, role="endoscopist", sha256=SHA, from_on="2026-03-01"):
    return Approval(f"staff/{name}", name, role, sha256, from_on)


def book(*approvals, is_training=False, **changes):
    release = {"name": "sizing/limits", "version": 1, "sha256": SHA}
    releases = (Release(**{**release, **changes}, approvals=approvals),)
    return RuleBook(CONTENTS, on=ON, releases=releases, is_training=is_training)


@pytest.mark.parametrize("case", cases("rule_release/judge_release.json"))
def test_a_release_is_judged_as_the_vectors_say(case):
    given = dict(case["given"]["release"])
    approvals = tuple(Approval(**one) for one in given.pop("approvals"))

    judgement = judge_release(Release(**given, approvals=approvals), on=case["given"]["on"])

    assert {"standing": judgement.standing, "why": judgement.why} == case["expect"]


def test_live_only_what_two_people_approved_computes():
    """[RL5] Planted bug that this caught: drafts taken up outside training too."""
    assert book(by("one"), by("two")).rule_file("sizing/limits", LimitRow).version == 1
    with pytest.raises(RuleFileError) as refused:
        book(by("one")).rule_file("sizing/limits", LimitRow)
    assert str(refused.value) == (
        "Rule file sizing/limits is not in force on 2026-03-16 (version 1: 1 of 2 people approved "
        "it). No number without it: two people approve it, one of them an endoscopist."
    )
    with pytest.raises(RuleFileError, match="nobody has approved it"):
        book(by("one"), by("two")).rule_file("sizing/coil_counts", LimitRow)
    assert book(is_training=True).has("sizing/coil_counts")


def test_the_order_of_the_steps_is_there_without_an_approval():
    """[RL7] [HARD-07]"""
    live = book()

    assert not live.has("step_protocols/coil_and_adhesive")
    assert read_protocol(live)[0].id == "identity"


def test_a_pinned_book_holds_exactly_the_bytes_an_answer_names():
    """[RL6]"""
    pinned = RuleBook.pinned(CONTENTS, [("sizing/limits", 1, SHA)], on=ON)

    assert pinned.rule_file("sizing/limits", LimitRow).sha256 == SHA
    assert not pinned.has("sizing/coil_counts")
    with pytest.raises(RuleFileError, match=r"sizing/limits.v1.json has other bytes here"):
        RuleBook.pinned(CONTENTS, [("sizing/limits", 1, "0" * 64)], on=ON)
    with pytest.raises(RuleFileError, match=r"sizing/limits.v7.json is not held here"):
        RuleBook.pinned(CONTENTS, [("sizing/limits", 7, SHA)], on=ON)


def test_every_answer_says_its_mode():
    """[RL5] A refusal that carries an answer says it too."""
    request = {"scanned": "0109506000134352", "today_on": ON}
    assert calculate("device-label", request, book(is_training=True))["mode"] == "training"
    assert calculate("device-label", request, book())["mode"] == "live"
    with pytest.raises(CalculationRefusedError) as refused:
        calculate("liver-scores", {}, book(is_training=True))
    assert refused.value.answer["mode"] == "training"


def _limits(version, **amounts):
    """Return a unit's own version of the limits as bytes, some amounts changed."""
    whole = json.loads(LATEST)
    whole["version"] = version
    for row in whole["rows"]:
        row["amount"] = amounts.get(row["item"], row["amount"])
    return json.dumps(whole).encode()


def _altered(file, /, **change):
    """Return the packaged file of a name as its next version, some keys changed."""
    whole = json.loads(CONTENTS[f"{file}.v{read_listing(CONTENTS)[file]}.json"])
    return json.dumps({**whole, "version": 1001, **change}).encode()


def _row(file, place, /, **change):
    """Return the packaged file of a name as its next version, one row changed."""
    rows = json.loads(_altered(file))["rows"]
    gone = {key for key, content in change.items() if content is None and key != "gate"}
    rows[place] = {
        key: content for key, content in {**rows[place], **change}.items() if key not in gone
    }
    return _altered(file, rows=rows)


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"{}", "Give it a name and a version"),
        (b"\xff", "cannot be read"),
        (b'{"name": "sizing/colours", "version": 1}', "sizing/colours"),
        (
            _limits(2).replace(b'"aliquot_ul"', b'"aliquot"'),
            "has no row aliquot_ul, which version 2 has. Add it.",
        ),
        (_limits(3).replace(b'"amount": 2000', b'"amount": "2 mm"'), "row 3 cannot be read"),
        (_limits(3).replace(b'"in force"', b'"draft"'), "calls itself draft"),
        (
            CONTENTS["sizing/coil_counts.v1.json"]
            .replace(b'"version": 1', b'"version": 2')
            .replace(b'"below_um": 10000', b'"below_um": 9000'),
            "leave a gap (9000-10000 um). Correct `below_um` of row 2.",
        ),
        (
            CONTENTS["liver_scores/bands.v1.json"]
            .replace(b'"version": 1', b'"version": 2')
            .replace(b'"below": "1.7"', b'"below": "1.8"'),
            "must begin at_least 1.8",
        ),
        (
            CONTENTS["antithrombotic_holds/bsg-esge-2021.v1.json"]
            .replace(b'"version": 1', b'"version": 2')
            .replace(b'"hold_days": 5', b'"hold_days": -5'),
            "row 1 cannot be read (Expected `int` >= 0",
        ),
        *(
            (_altered("sizing/limits", **change), part)
            for change, part in (
                ({"name": "sizing/../x"}, "Name it folder/name"),
                ({"name": "sizing/my.v2"}, "Name it folder/name"),
                ({"name": "sizing/é"}, "Name it folder/name"),
                ({"version": 0}, "with a version from 1"),
                ({"version": -1}, "with a version from 1"),
            )
        ),
        (_row("sizing/limits", 2, amount=-5000), "row 3 cannot be read (Expected `int` >= 0"),
        (_row("sizing/limits", 2, source=None), "row 3 has no source or basis"),
        (_row("sizing/limits", 2, basis=None), "row 3 has no source or basis"),
        (_row("sizing/cautions", 0, level="loud"), "row 1 cannot be read (Invalid enum value"),
        (_row("sizing/cautions", 1, id="renamed"), "has no row second-person"),
        (_row("sizing/flush_media", 0, media=["colour"]), "row 1 cannot be read"),
        (_row("sizing/flush_media", 0, media=[]), "row 1 cannot be read"),
        (_row("sizing/coil_counts", 1, from_coils=5), "row 2 begins with more coils"),
        (_row("follow_up/default", 0, when="sometimes"), "row 1 cannot be read"),
        (_row("follow_up/default", 0, months=1_000_000), "row 1 cannot be read"),
        (_row("follow_up/default", -1, when="obliterated"), "row `nothing_else`"),
        (_row("follow_up/course", 0, item="renamed"), "has no row late_days_to_clinician"),
        (_row("follow_up/course", 0, amount=99_999), "row 1 cannot be read"),
        (_row("antithrombotic_holds/bsg-esge-2021", 0, hold_days=10_000_000), "row 1 cannot"),
        (_row("antithrombotic_holds/bsg-esge-2021", 0, **{"continue": True}), "held 0 days"),
        (_row("adverse_events/agree", 0, grade="Z"), "row 1"),
        (_row("measurements/usual_bands", 0, quantity="colour"), "has no row bilirubin umol/L"),
        (_row("gates/default", 3, limit_item="nonsense"), "nonsense"),
        (_row("step_protocols/coil_and_adhesive", 22, gate=None), "lacks the step blood_return"),
        (_row("step_protocols/coil_and_adhesive", 1, id="identity"), "identity stands twice"),
        (
            _row("step_protocols/coil_and_adhesive", 22, gate={"id": "X", "hard_when": "moon"}),
            "row 23 cannot be read",
        ),
        (_row("step_protocols/coil_and_adhesive", 23, loop="aliquot"), "loops puncture, coil"),
    ],
)
def test_a_faulty_proposal_is_refused_with_file_row_and_remedy(content, part):
    """[RL8]"""
    with pytest.raises(RuleFileError) as refused:
        try_rule_file(content, CONTENTS)

    assert part in str(refused.value)


def test_every_packaged_file_could_be_proposed():
    """[RL8] Each next version of a released file passes its own trial."""
    for name, version in read_listing(CONTENTS).items():
        assert try_rule_file(CONTENTS[f"{name}.v{version}.json"], CONTENTS) == (name, version)


class Unit:
    """A store with an endoscopist, a data manager and a booking clerk, and counted chance."""

    def __init__(self, folder):
        self.store = open_unit_store(folder, new_generation="g-1")
        self.drawn = 0
        self.wren = self.add("Dr Wren Quillfeather", "endoscopist")
        self.pell = self.add("Pell Thistlewood", "data-manager")
        self.cass = self.add("Cass Underhay", "booking")

    def chance(self):
        self.drawn += 1
        return Chance(
            new_id=f"id{self.drawn}", new_epoch="epoch1", salt=f"{self.drawn:032x}", now_ms=1_000
        )

    def add(self, name, role):
        return add_staff(self.store, name, role, chance=self.chance())

    def approve(self, name, version, *people, from_on=ON):
        for person in people or (self.wren, self.pell):
            line = approve_rule_file(
                self.store,
                name,
                version,
                by=person,
                from_on=from_on,
                on=ON,
                chance=self.chance(),
            )
        return line

    def approve_all(self):
        for name, version in read_listing(CONTENTS).items():
            self.approve(name, version)

    def ask(self, request=None):
        wanted = request or {"inr": 1.2, "bilirubin": {"value": 2, "unit": "mg/dL"}}
        whole = {**wanted, "creatinine": {"value": 1, "unit": "mg/dL"}}
        return answer_calculation("liver-scores", whole, on=ON, store=self.store)

    def lines(self, on=ON):
        return {(one.name, one.version): one for one in list_rule_files(self.store, on=on)}


@pytest.fixture
def unit(tmp_path):
    made = Unit(tmp_path)
    yield made
    made.store.close()


def test_a_unit_goes_from_training_to_live(unit):
    """[RL5] [RL9] Not before every listed file is in force; then an answer is live."""
    assert unit.ask()["mode"] == "training"
    with pytest.raises(NotAllowedError, match="rule files are not in force, the first is"):
        go_live(unit.store, by=unit.wren, on=ON, chance=unit.chance())
    unit.approve_all()

    go_live(unit.store, by=unit.wren, on=ON, chance=unit.chance())

    assert unit.ask()["mode"] == "live"
    with pytest.raises(NotAllowedError, match="live already"):
        go_live(unit.store, by=unit.wren, on=ON, chance=unit.chance())
    retire_rule_file(unit.store, "liver_scores/bands", 1, by=unit.wren, on=ON, chance=unit.chance())
    with pytest.raises(CalculationError, match="it was retired on 2026-03-16"):
        unit.ask()


def test_a_store_with_training_patients_never_goes_live(unit):
    """[RL9] [HAZ-52]"""
    unit.approve_all()
    with unit.store.transaction():
        write_as_server(
            unit.store,
            "patient/p-1",
            {"family_name": "Alderwick"},
            by=unit.wren,
            because="training",
            chance=unit.chance(),
        )

    with pytest.raises(NotAllowedError, match="Start with an empty data folder"):
        go_live(unit.store, by=unit.wren, on=ON, chance=unit.chance())


def test_an_own_version_lives_from_draft_to_in_force(unit):
    """[RL1] [RL2] [RL8] A unit lowers its second limit; training sees the draft at once."""
    own = _limits(1001, second_person_ul=5_000)

    line = propose_rule_file(unit.store, own, by=unit.wren, chance=unit.chance())

    assert (line.standing, line.why) == ("draft", "0 of 2 people approved it")
    with unit.store.transaction():
        own_files = dict(read_unit_rules(unit.store).own_files)
    assert own_files["sizing/limits.v1001.json"].encode() == own
    assert unit.approve("sizing/limits", 1001, unit.pell, from_on="2026-04-01").standing == "draft"
    line = unit.approve("sizing/limits", 1001, unit.wren, from_on="2026-04-02")
    assert line.why == "it comes into force on 2026-04-02"
    assert line.approved_by == ("Pell Thistlewood", "Dr Wren Quillfeather")
    assert unit.lines("2026-04-02")["sizing/limits", 1001].standing == "in force"


def test_a_later_approval_never_takes_a_file_out_of_force(unit):
    """[RL2] Planted bug that this caught: the day of the last approval taken for all."""
    unit.approve("sizing/limits", 1)
    third = unit.add("Dr Otis Bramblewick", "endoscopist")

    line = unit.approve("sizing/limits", 1, third, from_on="2027-06-01")

    assert line.standing == "in force"


def test_of_two_versions_in_force_the_later_day_counts_and_the_other_says_so(unit):
    """[RL4] On one day the higher version counts."""
    unit.approve("sizing/limits", 1)
    own = _limits(1001, second_person_ul=5_000)
    propose_rule_file(unit.store, own, by=unit.wren, chance=unit.chance())
    unit.approve("sizing/limits", 1001)

    assert unit.lines()["sizing/limits", 1].why == "version 1001 counts instead"
    assert unit.lines()["sizing/limits", 1001].why == ""


def test_names_that_look_alike_never_share_a_record(unit):
    """[RL13] Planted bug that this caught: ``_`` and ``-`` both written as ``-``."""
    unit.approve("follow_up/early_look", 1)
    like = json.loads(CONTENTS["follow_up/default.v1.json"])
    like.update(name="follow_up/early-look", version=1001)

    propose_rule_file(unit.store, json.dumps(like).encode(), by=unit.wren, chance=unit.chance())

    assert record_of("follow_up/early_look", 1) != record_of("follow_up/early-look", 1)
    assert unit.lines()["follow_up/early_look", 1].standing == "in force"


@pytest.mark.parametrize(
    ("act", "part"),
    [
        (lambda unit: unit.approve("sizing/limits", 1, unit.cass), "Cass Underhay is booking"),
        (lambda unit: unit.approve("sizing/limits", 1, "staff/nobody"), "no active member"),
        (lambda unit: unit.approve("sizing/limits", 1, "patient/p-1"), "no active member"),
        (lambda unit: unit.approve("sizing/limits", 9), "no rule file sizing/limits version 9"),
        (lambda unit: unit.approve("sizing/limits", 1, from_on="soon"), "soon is no date"),
        (lambda unit: unit.approve("sizing/limits", 1, from_on="2026-03-15"), "from today on"),
        (
            lambda unit: propose_rule_file(
                unit.store, _limits(7), by=unit.wren, chance=unit.chance()
            ),
            "begin at 1001",
        ),
        (
            lambda unit: unit.approve("sizing/limits", 1, unit.wren, unit.wren),
            "A second person is needed",
        ),
        (
            lambda unit: propose_rule_file(unit.store, LATEST, by=unit.wren, chance=unit.chance()),
            "Give yours the next version",
        ),
    ],
)
def test_what_is_not_allowed_is_refused_in_one_sentence(unit, act, part):
    with pytest.raises(NotAllowedError) as refused:
        act(unit)

    assert part in str(refused.value)


def _write(unit, fields, name="sizing/limits", version=1):
    with unit.store.transaction():
        write_as_server(
            unit.store,
            record_of(name, version),
            {"file": {"name": name, "version": version}, **fields},
            by=unit.wren,
            because="",
            chance=unit.chance(),
        )


def test_of_two_days_of_retirement_the_earlier_counts(unit):
    """[RL10] Two people named two days and nobody has settled it."""
    unit.approve("sizing/limits", 1)
    for day in ("2026-05-01", "2026-04-01"):
        _write(unit, {"retired_on": day})

    assert unit.lines("2026-03-31")["sizing/limits", 1].standing == "in force"
    assert unit.lines("2026-04-01")["sizing/limits", 1].standing == "retired"


def test_a_text_under_a_released_name_does_not_stand_in_its_place(unit):
    """[RL11] Planted bug that this caught: own files put over the packaged ones."""
    _write(unit, {"content": _limits(1, second_person_ul=60_000).decode()})

    with unit.store.transaction():
        rules = read_unit_rules(unit.store)
    assert rules.own_files == ()
    assert [one.sha256 for one in rules.releases] == [SHA]


def test_a_unit_that_is_live_never_goes_back_to_training(unit):
    """[RL5] [HAZ-33] A clock set back, or a second day written beside the first."""
    unit.approve_all()
    go_live(unit.store, by=unit.wren, on=ON, chance=unit.chance())
    _write_site(unit, {"live_from": "2027-01-01"})

    with unit.store.transaction():
        rules = read_unit_rules(unit.store)
    assert rules.is_training is False


def _write_site(unit, fields):
    with unit.store.transaction():
        record = unit.store.views.of_kind("site")[0].record
        write_as_server(unit.store, record, fields, by=unit.wren, because="", chance=unit.chance())


@pytest.fixture
def live(tmp_path):
    """A unit server that serves, live, with a bedside tablet and a desk that joined."""
    with StandingUnit(tmp_path / "served").serving() as serving:
        people = [
            add_staff(serving.store, name, role, chance=_chance(serving))
            for name, role in (("Dr Wren", "endoscopist"), ("Pell", "data-manager"))
        ]
        for name, version in read_listing(CONTENTS).items():
            for person in people:
                approve_rule_file(
                    serving.store,
                    name,
                    version,
                    by=person,
                    from_on=ON,
                    on=ON,
                    chance=_chance(serving),
                )
        go_live(serving.store, by=people[0], on=ON, chance=_chance(serving))
        yield serving


def _chance(serving):
    return Chance(
        new_id=serving.environment.new_id(),
        new_epoch="epoch1",
        salt=serving.environment.new_salt(),
        now_ms=1_000,
    )


@pytest.mark.parametrize("role", ["bedside", "booking"])
def test_no_device_may_speak_for_the_unit_server(live, role):
    """[RL12] Forged approvals, a forged end of live, and both by way of `over` and retraction.

    Planted bug that this caught: only `set` was looked at, not `over`.
    """
    headers = live.join("a-1", role=role)
    site = live.store.views.of_kind("site")[0]
    [going_live] = site.fields["live_from"].references
    own = {
        "file": {"name": "sizing/limits", "version": 1001},
        "content": _limits(1001, second_person_ul=60_000).decode(),
    }
    said = [
        (record_of("sizing/limits", 1001), own, {}, ()),
        *(
            (
                record_of("sizing/limits", 1001),
                {
                    "approval": {
                        "by": by_,
                        "name": by_,
                        "role": "endoscopist",
                        "sha256": hashlib.sha256(own["content"].encode()).hexdigest(),
                        "from_on": ON,
                    }
                },
                {},
                (),
            )
            for by_ in ("staff/q", "staff/r")
        ),
        (site.record, {"live_from": "2027-01-01"}, {}, ()),
        (site.record, {"name": "Here"}, {"live_from": (going_live,)}, ()),
        (site.record, {}, {}, (going_live,)),
    ]
    writer = Writer("a-1")
    for record, fields, over, retract in said:
        writer.log.append(_operation(writer, record, fields, over, retract))

    answer = live.push(headers, "a-1", texts(*writer.log))

    assert answer.status_code == 200, answer.text
    assert len(answer.json()["quarantined"]) == len(said)
    with live.store.transaction():
        rules = read_unit_rules(live.store)
    assert rules.is_training is False
    assert rules.own_files == ()


def test_who_supplies_a_put_back_unit_cannot_speak_for_it(live):
    """[RL12] [EX10] A tablet hands the server's words to a unit that was put back.

    Planted bug that this caught: whatever bears the name of the unit server let through.
    """
    before = live.store.views.of_kind("rule_file_release")
    headers = live.join("a-1")
    with live.store.transaction():
        live.store.keep_fact(PUT_BACK, "1")
    site = live.store.views.of_kind("site")[0].record
    forged = Writer("unit-server", "evil1")
    own = {"file": {"name": "sizing/limits", "version": 1001}, "content": _limits(1001).decode()}
    for record, fields in ((record_of("sizing/limits", 1001), own), (site, {"live_from": ON})):
        forged.log.append(_operation(forged, record, fields, {}, ()))

    answer = live.client.post(
        "/api/exchange/resupply",
        json={"device": "a-1", "operations": texts(*forged.log), "logs": []},
        headers=headers,
    )

    assert answer.status_code == 200, answer.text
    assert len(answer.json()["quarantined"]) == len(forged.log)
    with live.store.transaction():
        assert read_unit_rules(live.store).own_files == ()
    assert live.store.views.of_kind("rule_file_release") == before


def _operation(writer, record, fields, over, retract):
    number = len(writer.log) + 1
    return make_operation(
        device=writer.device,
        epoch=writer.epoch,
        counter=number,
        previous=writer.log[-1].hash if writer.log else "",
        stream="unit",
        record=record,
        stamp=str(Stamp(1_790_000_000_000 + number, 0, writer.device)),
        body=Body(
            salt=f"{number:032x}",
            by="staff/q",
            tapped_by="staff/q",
            catalogue=2,
            set=fields,
            over=over,
            retract=retract,
        ),
    )


def test_nobody_joins_under_the_name_of_the_unit_server(live):
    """[RL12]"""
    code = live.environment.new_code()
    invite_device(live.store, "bedside", code=code, now_ms=live.environment.now_ms())

    answer = live.ask_to_join(code, "unit-server")

    assert answer.status_code == 403
    assert "unit server" in answer.json()["detail"]
