"""Rule files that travel from the hub to the units, where two people approve them.

Planted bugs that this caught: a draft of the hub sent to the units, an offer of a tablet taken for
the hub's.
"""

import msgspec
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.compared_rule_files import read_changes
from api.use_cases.errors import NotAllowedError
from api.use_cases.list_network_rules import list_network_rules
from api.use_cases.network_rule_files import (
    list_offered_rule_files,
    set_offer_aside,
    take_offered,
    withdraw_rule_file,
)
from api.use_cases.release_rule_files import (
    approve_rule_file,
    propose_rule_file,
    retire_rule_file,
)
from api.use_cases.standing_report import keep_standing, make_standing_report
from api.use_cases.taken_rule_files import approve_taken, retire_taken
from api.use_cases.told_rule_files import OfferAnswer
from tests.unit.api.clinic_story import Story
from tests.unit.api.network_hub import FEN, LOW, TARN, open_hub
from tests.unit.api.offered_limits import (
    carry_offer,
    draft_limits,
    employ,
    offer_limits,
    release_limits,
    standing_limits,
)
from tests.unit.api.quality_records import TODAY
from tests.unit.api.standing_unit import NOON_MS

MINUTE_MS = 60_000


def test_a_rule_file_of_the_hub_is_a_proposal_that_two_of_the_unit_approve(hub, own):
    """[DM-11] [HAZ-10] [RL12] [WD1] [WD4]"""
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    carry_offer(hub, own, record)
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    pell = employ(own, hub, "Pell Dunmorrow", "anaesthetist")

    [offer] = list_offered_rule_files(own, on=TODAY)
    assert (offer.file, offer.version, offer.standing) == ("sizing/limits", 1001, "new")
    assert offer.because == "Agreed in the network"
    assert offer.sentences == [
        "Adhesive (pure) in a session, limit of caution changes from 4 mL to 3 mL."
    ]
    # That it came changes nothing, nor does that it was taken.
    assert 1001 not in standing_limits(own)
    line = take_offered(own, offer.proposal, by=wren, chance=hub.chance())
    assert line.standing == "draft"
    assert standing_limits(own)[1001] == "draft"
    assert [one.standing for one in list_offered_rule_files(own, on=TODAY)] == ["taken"]
    for one in (wren, pell):
        approve_rule_file(
            own, "sizing/limits", 1001, by=one, from_on=TODAY, on=TODAY, chance=hub.chance()
        )
    assert standing_limits(own)[1001] == "in force"


def test_the_hub_hears_what_each_unit_did(hub, own):
    """[DM-11]"""
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    record = offer_limits(hub, piers)
    carry_offer(hub, own, record)
    for unit in (TARN, FEN):
        report = make_standing_report(own, build="b", now_ms=NOON_MS, today=TODAY)
        keep_standing(hub.store, unit, report, now_ms=NOON_MS, today=TODAY)
        if unit == TARN:
            set_offer_aside(own, record, by="staff/w", because="ours is lower", now_ms=NOON_MS)

    [sent] = list_network_rules(hub.store, on=TODAY, now_ms=NOON_MS).sent
    answers = {one.unit: (one.answer, one.came_ms is not None) for one in sent.units}

    assert answers == {TARN: ("none", True), FEN: ("set-aside", True), LOW: ("none", False)}
    assert (sent.sent_by_name, sent.because) == ("Piers Larkspire", "Agreed in the network")
    versions = {
        one.version: (one.is_sent, one.may_send)
        for file in list_network_rules(hub.store, on=TODAY, now_ms=NOON_MS).files
        if file.file == "sizing/limits"
        for one in file.versions
    }
    assert versions == {1001: (True, False), 2: (False, False), 1: (False, False)}
    # Caught: the versions stood in the order of their names, 2 before 1001.
    assert list(versions) == [1001, 2, 1]


def test_the_hub_sends_only_what_two_of_its_own_have_approved(hub):
    """[DM-11]"""
    ada = add_staff(hub.store, "Ada Reedmace", "endoscopist", by="", chance=hub.chance())
    propose_rule_file(hub.store, draft_limits(), by=ada, chance=hub.chance())

    for version, because, part in (
        # Caught: the sentence left out that one of the two is an endoscopist.
        (1001, "x", "0 of 2 people approved it.*Two people approve it first, one of them an endo"),
        (1002, "x", "There is no rule file"),
        (2, "x", "comes with the program"),
        (1001, " ", "Say why"),
    ):
        with pytest.raises(NotAllowedError, match=part):
            offer_limits(hub, ada, version, because)
    piers = release_limits(hub, draft_limits(1003, soft_limit_ul=3_000), 1003)
    offer_limits(hub, piers, 1003)
    with pytest.raises(NotAllowedError, match="offered already"):
        offer_limits(hub, piers, 1003)


def test_changes_are_told_against_what_is_in_force_and_never_against_a_draft(hub):
    """[DM-11] [WD8] Caught: version 1002 was compared with the draft 1001 before it."""
    ada = add_staff(hub.store, "Ivo Reedmace", "endoscopist", by="", chance=hub.chance())
    propose_rule_file(hub.store, draft_limits(soft_limit_ul=3_500), by=ada, chance=hub.chance())
    lower = draft_limits(1002, soft_limit_ul=3_000)
    propose_rule_file(hub.store, lower, by=ada, chance=hub.chance())

    def told(version):
        found = read_changes(hub.store, "sizing/limits", version, on=TODAY)
        return found.against.standing, found.against.version, found.sentences

    soft = "Adhesive (pure) in a session, limit of caution changes from {} mL to {} mL."
    assert told(1002) == ("built-in", 2, [soft.format(4, 3)])
    assert told(2) == ("none", None, [])
    release_limits(hub, draft_limits(1003, soft_limit_ul=2_000), 1003)
    assert told(1002) == ("in force", 1003, [soft.format(2, 3)])
    # Of the one in force what was before is told: here nothing but the program's own.
    assert told(1003) == ("built-in", 2, [soft.format(4, 2)])
    for one in (ada, add_staff(hub.store, "Ena Moss", "anaesthetist", by="", chance=hub.chance())):
        approve_rule_file(
            hub.store, "sizing/limits", 1002, by=one, from_on=TODAY, on=TODAY, chance=hub.chance()
        )
    retire_rule_file(hub.store, "sizing/limits", 1003, by=ada, on=TODAY, chance=hub.chance())
    assert told(1002)[:2] == ("built-in", 2)


def test_the_hub_sees_where_each_unit_has_a_withdrawn_version_in_force(hub, own):
    """[DM-11] [HAZ-10] [WD9] Caught: a withdrawn version in force at a unit was told as taken."""
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    record = offer_limits(hub, piers)
    carry_offer(hub, own, record)
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    pell = employ(own, hub, "Pell Dunmorrow", "anaesthetist")
    told = []

    def look():
        report = make_standing_report(own, build="b", now_ms=NOON_MS, today=TODAY)
        keep_standing(hub.store, TARN, report, now_ms=NOON_MS, today=TODAY)
        rules = list_network_rules(hub.store, on=TODAY, now_ms=NOON_MS)
        (at_unit,) = [one for one in rules.sent[0].units if one.unit == TARN]
        (file,) = [one for one in rules.files if one.file == "sizing/limits"]
        (counting,) = [one for one in file.at_units if one.unit == TARN]
        told.append(
            (at_unit.answer, at_unit.here, at_unit.since_on, at_unit.is_counting, counting.version)
        )
        return rules.sent[0]

    look()
    take_offered(own, record, by=wren, chance=hub.chance())
    # A unit in training computes by what was proposed last.
    look()
    for one in (wren, pell):
        approve_rule_file(
            own, "sizing/limits", 1001, by=one, from_on=TODAY, on=TODAY, chance=hub.chance()
        )
    withdraw_rule_file(
        hub.store, "sizing/limits", 1001, by=piers, because="A slip", chance=hub.chance()
    )
    sent = look()
    assert (sent.is_withdrawn, sent.withdrawn_because) == (True, "A slip")
    retire_rule_file(own, "sizing/limits", 1001, by=wren, on=TODAY, chance=hub.chance())
    look()

    assert told == [
        ("none", "", "", False, 2),
        ("taken", "draft", "", True, 1001),
        ("taken", "in force", TODAY, True, 1001),
        ("taken", "retired", TODAY, False, 2),
    ]


def test_of_an_older_unit_the_number_that_counts_is_told(hub, own):
    """[WD9] Its report has no word of where the version stands."""
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    taken = OfferAnswer(record=record, came_ms=1, answer="taken")
    report = make_standing_report(own, build="b", now_ms=NOON_MS, today=TODAY)
    told = []
    for number, offers in ((1001, (taken,)), (2, (taken,)), (1001, ())):
        older = msgspec.structs.replace(
            report, rule_files={"sizing/limits": number}, offers=offers, is_training=None
        )
        keep_standing(hub.store, TARN, older, now_ms=NOON_MS, today=TODAY)
        (sent,) = list_network_rules(hub.store, on=TODAY, now_ms=NOON_MS).sent
        told += [(one.here, one.is_counting) for one in sent.units if one.unit == TARN]

    assert told == [(None, True), (None, False), (None, False)]


def test_an_offer_is_the_hubs_alone_and_is_answered_once(hub, own):
    """[DM-11] [RL12] A device of the unit writes the same record: it offers nothing."""
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    tablet = Story(own, device="tablet-a", now_ms=NOON_MS)
    with own.transaction():
        tablet.write(
            "network_rule_file/x",
            file={"name": "sizing/limits", "version": 1001},
            content=draft_limits(soft_limit_ul=90_000).decode(),
            state="offered",
        )
    assert list_offered_rule_files(own, on=TODAY) == []
    with pytest.raises(NotAllowedError, match="offers no"):
        take_offered(own, "network_rule_file/x", by=wren, chance=hub.chance())
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    carry_offer(hub, own, record)
    with own.transaction():
        tablet.write(record, content=draft_limits(soft_limit_ul=90_000).decode(), sees=False)
    assert "to 3 mL" in list_offered_rule_files(own, on=TODAY)[0].sentences[0]

    with pytest.raises(NotAllowedError, match="Say why"):
        set_offer_aside(own, record, by=wren, because="", now_ms=NOON_MS)
    set_offer_aside(own, record, by=wren, because="ours is lower", now_ms=NOON_MS)
    with pytest.raises(NotAllowedError, match="set-aside already"):
        take_offered(own, record, by=wren, chance=hub.chance())


def test_what_was_taken_is_approved_by_two_at_the_desk_and_retired_there(hub, own):
    """[DM-11] [RL2] [WD5] Not before it was taken, nor what the hub has withdrawn since."""
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    carry_offer(hub, own, record)
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    pell = employ(own, hub, "Pell Dunmorrow", "anaesthetist")
    cass = employ(own, hub, "Cass Underhay", "booking")

    def approve(by):
        return approve_taken(own, record, by=by, on=TODAY, chance=hub.chance())

    def here():
        return [one.here for one in list_offered_rule_files(own, on=TODAY)]

    with pytest.raises(NotAllowedError, match="was not taken here"):
        approve(wren)
    take_offered(own, record, by=wren, chance=hub.chance())
    assert here() == ["draft"]
    approve(pell)
    with pytest.raises(NotAllowedError, match="approved"):
        approve(pell)
    with pytest.raises(NotAllowedError, match="Cass Underhay is booking"):
        approve(cass)
    assert here() == ["draft"]
    approve(wren)
    assert here() == ["in force"]

    retire_taken(own, record, by=wren, on=TODAY, chance=hub.chance())

    assert here() == ["retired"]
    with pytest.raises(NotAllowedError, match="offers no"):
        retire_taken(own, "network_rule_file/none", by=wren, on=TODAY, chance=hub.chance())


def test_a_withdrawn_offer_is_taken_by_nobody_any_more_and_may_come_again(hub, own):
    """[DM-11] [WD4]"""
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    record = offer_limits(hub, piers)
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")

    def withdraw(because="A slip"):
        withdraw_rule_file(
            hub.store, "sizing/limits", 1001, by=piers, because=because, chance=hub.chance()
        )

    with pytest.raises(NotAllowedError, match="Say why"):
        withdraw(" ")
    withdraw()
    with pytest.raises(NotAllowedError, match="not offered"):
        withdraw()
    carry_offer(hub, own, record)
    assert [one.standing for one in list_offered_rule_files(own, on=TODAY)] == ["withdrawn"]
    with pytest.raises(NotAllowedError, match="withdrawn already"):
        take_offered(own, record, by=wren, chance=hub.chance())

    assert offer_limits(hub, piers) == record
    carry_offer(hub, own, record)

    assert take_offered(own, record, by=wren, chance=hub.chance()).standing == "draft"


def test_offers_travel_by_commands_too(tmp_path, hub, own):
    """[DM-11]"""
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    hub.store.close()
    own.close()
    words = ["sizing/limits", "1001", "--by"]

    offered = _run(tmp_path / "hub", "offer", *words, piers, "--because", "Agreed")
    at_unit = _run(tmp_path / "own", "offer", *words, wren, "--because", "x")
    none = _run(tmp_path / "own", "take", *words, wren)
    again, unit = open_hub(tmp_path / "hub"), open_unit_store(tmp_path / "own", new_generation="x")
    with again.store.transaction():
        [record] = [one.record for one in again.store.views.of_kind("network_rule_file")]
    carry_offer(again, unit, record)
    again.store.close()
    unit.close()
    listed = _run(tmp_path / "own", "offered")
    taken = _run(tmp_path / "own", "take", *words, wren)
    withdrawn = _run(tmp_path / "hub", "withdraw", *words, piers, "--because", "A slip")

    codes = [one.exit_code for one in (offered, at_unit, none, listed, taken, withdrawn)]
    assert codes == [0, 2, 2, 0, 0, 0], (offered.output, taken.output, withdrawn.output)
    assert "A hub offers rule files" in at_unit.output
    assert "The hub offers no sizing/limits" in none.output
    assert "changes from 4 mL to 3 mL" in listed.output
    assert "draft" in taken.output


def _run(folder, *words):
    return CliRunner().invoke(main, ["rules", *words, "--data", str(folder)])


def test_who_may_not_approve_takes_no_offer_and_nothing_is_kept(hub, own):
    """[DM-11]"""
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    carry_offer(hub, own, record)
    clerk = employ(own, hub, "Imelda Larkwater", "booking")

    with pytest.raises(NotAllowedError, match="Rule files are for"):
        take_offered(own, record, by=clerk, chance=hub.chance())

    assert [one.standing for one in list_offered_rule_files(own, on=TODAY)] == ["new"]
