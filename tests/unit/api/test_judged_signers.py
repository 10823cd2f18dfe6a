"""Who may sign is judged as a signature arrives, by the row of the access table for people."""

import pytest

from api.storage.packaged_access import read_packaged_access_table
from api.storage.unit_store import open_unit_store
from api.use_cases.judge_received import why_not_taken_in
from api.use_cases.receive_push import receive_push
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, Writer, texts
from tests.unit.api.test_judged_writes import TABLET

SIGNED = {"case": "case/c-1", "digest": "0" * 64, "at": "2026-03-16T10:00:00+00:00"}


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def _staff(store, *roles):
    with store.transaction():
        story = Story(store, device="server-a", now_ms=NOON_MS - 1_000)
        for role in roles:
            story.write("staff/s-1", name="Dr Quillfeather", role=role, active=True)


def _sign(writer, **more):
    return writer.write("sign_off/s-1", set=SIGNED, **more)


def _signatures(store):
    with store.transaction():
        return [one.record for one in store.views.of_kind("sign_off")]


def test_the_table_says_who_of_the_people_signs():
    """[SEC-21] [SEC-22] Of no other kind does a row for people say anything."""
    table = read_packaged_access_table()

    assert table.people_who_write("care", "sign_off") == ("endoscopist",)
    for kind, stream in (("case", "care"), ("sign_off", "booking"), ("visit", "booking")):
        assert table.people_who_write(stream, kind) == ()


@pytest.mark.parametrize("role", ["assistant", "anaesthetist", "booking", "training"])
def test_a_signature_of_somebody_who_does_not_sign_is_set_aside_alone(store, role):
    """[SEC-22] [HAZ-25] Its texts are kept, and what follows it is taken in.

    Caught: the unit took the signature of an assistant; who may sign was a matter of the screen.
    """
    _staff(store, role)
    writer = Writer(TABLET.id)
    signed = _sign(writer)
    after = writer.write("case/c-1", set={"stage": "closed"})

    answer = receive_push(store, TABLET, texts(signed, after), now_ms=NOON_MS)

    (aside,) = answer.quarantined
    assert aside.op_id == signed.op_id
    assert f"is a signature by staff/s-1, {role} at this unit" in aside.sentence
    assert "have somebody of the role endoscopist sign the case" in aside.sentence
    assert answer.tip.counter == after.counter
    assert _signatures(store) == []
    with store.transaction():
        assert [one.body for one in store.operations.quarantined()] == [signed.body_text]


@pytest.mark.parametrize(
    "roles",
    [(), ("endoscopist",), ("endoscopist", "data-manager"), ("assistant", "endoscopist")],
    ids=["unknown", "endoscopist", "no longer", "by now"],
)
def test_who_signs_or_is_not_known_here_is_taken_in(store, roles):
    """[SEC-22] Of whom no record tells a role, the signature stays as stated; none is lost.

    Planted and caught: the last role alone counted, so that a signature of before was refused.
    """
    _staff(store, *roles)

    answer = receive_push(store, TABLET, texts(_sign(Writer(TABLET.id))), now_ms=NOON_MS)

    assert answer.quarantined == ()
    assert _signatures(store) == ["sign_off/s-1"]


def test_to_strike_a_signature_is_none(store):
    """[MG9] Somebody else found that it was signed in error."""
    writer = Writer(TABLET.id)
    signed = _sign(writer)
    receive_push(store, TABLET, texts(signed), now_ms=NOON_MS)
    _staff(store, "assistant")
    struck = writer.write("sign_off/s-1", retract=(signed.reference,))

    assert receive_push(store, TABLET, texts(struck), now_ms=NOON_MS).quarantined == ()


@pytest.mark.parametrize("origin", [None, TABLET], ids=["unknown device", "known device"])
@pytest.mark.parametrize("by_hand", [False, True])
def test_a_signature_that_is_brought_is_judged_alike(store, origin, by_hand):
    """[EX10] [BU3] By another tablet after a restore, or in a file: it gains nothing by the way.

    Planted and caught: of a device that is not known here nothing was asked.
    """
    _staff(store, "assistant")
    signed = _sign(Writer(TABLET.id))
    with store.transaction():
        found = why_not_taken_in(store, signed, origin, is_by_hand=by_hand)
    assert "is a signature by staff/s-1" in (found or "")


def test_the_tablet_is_told_over_http_and_a_person_finds_it_under_decisions(tmp_path):
    """[SEC-22] [CF5]"""
    with StandingUnit(tmp_path / "unit").serving() as unit:
        _staff(unit.store, "assistant")
        tablet = unit.join("tablet-a")
        answer = unit.push(tablet, "tablet-a", texts(_sign(Writer("tablet-a")))).json()
        assert "does not sign a case" in answer["quarantined"][0]["sentence"]
        told = unit.client.get("/api/decisions", headers=tablet).json()
        assert [one["record"] for one in told["alarms"]] == ["sign_off/s-1"]
