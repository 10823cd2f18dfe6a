"""What the hub withdraws after a unit took it, and what is offered under a number of before."""

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.use_cases.errors import NotAllowedError
from api.use_cases.list_decisions import list_decisions
from api.use_cases.network_rule_files import (
    list_offered_rule_files,
    set_offer_aside,
    take_offered,
    withdraw_rule_file,
)
from api.use_cases.registry_log import begin_anew
from api.use_cases.release_rule_files import (
    approve_rule_file,
    propose_rule_file,
    retire_rule_file,
)
from api.use_cases.standing_report import make_standing_report
from sync.operation import decode_body
from tests.unit.api.network_hub import open_hub
from tests.unit.api.offered_limits import (
    carry_offer,
    draft_limits,
    employ,
    offer_limits,
    release_limits,
)
from tests.unit.api.quality_records import TODAY
from tests.unit.api.standing_unit import NOON_MS


def _withdraw(hub, by, because="Wrong by ten"):
    withdraw_rule_file(
        hub.store, "sizing/limits", 1001, by=by, because=because, chance=hub.chance()
    )


def _approve(own, hub, by, **more):
    return approve_rule_file(
        own,
        "sizing/limits",
        1001,
        by=by,
        from_on=TODAY,
        on=TODAY,
        chance=hub.chance(),
        **more,
    )


def _alarms(own, now_ms=NOON_MS):
    """Return what every device is told of rule files that the hub withdrew."""
    tablet = own.devices.find("tablet-a")
    found = list_decisions(own, tablet, now_ms=now_ms).alarms
    return [one for one in found if one.kind == "withdrawn-rules"]


def _take(hub, own):
    """Let a unit take an offer; return who offered it, the record and two people of the unit."""
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    record = offer_limits(hub, piers)
    carry_offer(hub, own, record)
    roles = {"Wren Quillfeather": "endoscopist", "Pell Dunmorrow": "anaesthetist"}
    people = [employ(own, hub, name, role) for name, role in roles.items()]
    take_offered(own, record, by=people[0], chance=hub.chance())
    with own.transaction():
        own.devices.keep("tablet-a", "Tablet A", "bedside", "token-a", joined_ms=NOON_MS)
    return piers, record, people


def _row(own):
    (one,) = list_offered_rule_files(own, on=TODAY)
    return one.standing, one.is_withdrawn, one.withdrawn_because, one.here


def test_who_took_a_rule_file_hears_that_the_hub_withdrew_it(hub, own):
    """[DM-11] [HAZ-10] [WD5] The draft is told with the hub's reason, and approving asks once more.

    It was red before: the desk said "taken", and two people put it in force. Planted and caught,
    each: only the first of the two was asked; the reason told was that of the offer.
    """
    piers, record, people = _take(hub, own)
    assert _row(own) == ("taken", False, "", "draft")
    _withdraw(hub, piers)
    carry_offer(hub, own, record)

    assert _row(own) == ("taken", True, "Wrong by ten", "draft")
    for one in people:
        with pytest.raises(NotAllowedError, match=r"has withdrawn .* Wrong by ten. Who approves"):
            _approve(own, hub, one)
        line = _approve(own, hub, one, although_withdrawn=True)
    assert line.standing == "in force"
    with own.transaction():
        (release,) = own.views.of_kind("rule_file_release")
        said = [
            decode_body(one.body_text).because for one in own.operations.of_record(release.record)
        ]
    assert said[-2:] == ["approved although the hub had withdrawn it"] * 2
    assert [one.sentence for one in _alarms(own)] == [
        "sizing/limits version 1001 is in force here, and the hub has withdrawn it: Wrong by ten. "
        "Read why, then retire it at the unit desk, or by crura rules retire sizing/limits 1001."
    ]


def test_a_rule_file_in_force_that_the_hub_withdrew_is_an_alarm_until_it_is_retired(hub, own):
    """[DM-11] [HAZ-10] [WD5] Planted and caught: the alarm of a draft alone."""
    piers, record, people = _take(hub, own)
    for one in people:
        _approve(own, hub, one)
    assert _alarms(own) == []

    _withdraw(hub, piers)
    carry_offer(hub, own, record)

    assert (_row(own)[3], len(_alarms(own))) == ("in force", 1)
    (first,) = _alarms(own)
    offer_limits(hub, piers)
    carry_offer(hub, own, record)
    assert (_row(own)[1:3], _alarms(own)) == ((False, ""), [])
    _withdraw(hub, piers, "Wrong again")
    carry_offer(hub, own, record)
    (second,) = _alarms(own)
    assert second.name != first.name
    retire_rule_file(own, "sizing/limits", 1001, by=people[0], on=TODAY, chance=hub.chance())
    assert (_row(own)[3], _alarms(own)) == ("retired", [])


def test_an_answer_to_an_offer_is_none_to_the_offer_of_another_hub(tmp_path, hub, own):
    """[DM-11] [WD6] Two hubs number their files alike: what was set aside was another file.

    It was red before: the other hub's "lower the limit" stood as set aside. Planted and caught:
    the answer held no digest of the content.
    """
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    record = offer_limits(hub, release_limits(hub, draft_limits(soft_limit_ul=3_000)))
    carry_offer(hub, own, record)
    set_offer_aside(own, record, by=wren, because="ours is lower", now_ms=NOON_MS)
    with own.transaction():
        begin_anew(own, new_epoch="ep-anew")
    other = open_hub(tmp_path / "other")
    again = offer_limits(
        other, release_limits(other, draft_limits(soft_limit_ul=1_000)), because="Lower it"
    )
    assert again == record
    carry_offer(other, own, again)

    (row,) = list_offered_rule_files(own, on=TODAY)
    assert (row.standing, row.because, row.sentences) == (
        "new",
        "Lower it",
        ["Adhesive (pure) in a session, limit of caution changes from 4 mL to 1 mL."],
    )
    report = make_standing_report(own, build="b", now_ms=NOON_MS, today=TODAY)
    assert [one.answer for one in report.offers] == ["none"]
    assert take_offered(own, again, by=wren, chance=other.chance()).standing == "draft"
    other.store.close()


def test_another_file_of_the_same_number_is_neither_taken_nor_withdrawn_here(hub, own):
    """[WD5] [WD6] The hub's withdrawal is of its own bytes; the unit's file is another."""
    wren = employ(own, hub, "Wren Quillfeather", "endoscopist")
    propose_rule_file(own, draft_limits(soft_limit_ul=2_000), by=wren, chance=hub.chance())
    piers = release_limits(hub, draft_limits(soft_limit_ul=3_000))
    record = offer_limits(hub, piers)
    carry_offer(hub, own, record)

    with pytest.raises(NotAllowedError, match="Ask the hub to offer its own under the next"):
        take_offered(own, record, by=wren, chance=hub.chance())
    _withdraw(hub, piers)
    carry_offer(hub, own, record)

    assert _row(own) == ("withdrawn", True, "Wrong by ten", "")
    _approve(own, hub, wren)


def test_the_command_asks_once_more_too(tmp_path, hub, own):
    """[DM-11] [WD5] Whoever approves at the server reads the hub's reason first."""
    piers, record, people = _take(hub, own)
    _withdraw(hub, piers)
    carry_offer(hub, own, record)
    own.close()

    def run(*words):
        return CliRunner().invoke(main, ["rules", *words, "--data", str(tmp_path / "own")])

    words = ("approve", "sizing/limits", "1001", "--by", people[0])
    refused, listed = run(*words), run("offered")
    knowing = run(*words, "--although-withdrawn")

    assert (refused.exit_code, listed.exit_code, knowing.exit_code) == (2, 0, 0)
    assert "--although-withdrawn" in refused.output
    assert "The hub has withdrawn it: Wrong by ten. It is draft here." in listed.output
