"""What others bring of a device that signs counts once that device's own signature lies over it."""

import pytest

from api.storage.bundle import Bundle, Manifest
from api.use_cases.confirm_device import confirm_device
from api.use_cases.import_bundle import import_bundle
from api.use_cases.list_decisions import list_decisions
from api.use_cases.older_copy import mark_put_back
from api.use_cases.revoke_device import revoke_device
from api.use_cases.verify_log import verify_log
from sync.request_signing import write_fingerprint
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer, assert_problem, carried_head, texts


@pytest.fixture
def log(unit, a):
    """Tablet A's log, of which the unit that was put back holds the first entry."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(writer.write()))
    with unit.store.transaction():
        mark_put_back(unit.store, now_ms=NOON_MS, new_generation="generation-2")
    return writer


def _offer(unit, headers, device, *operations, heads=()):
    content = {"device": device, "operations": texts(*operations), "logs": [("tablet-a", "ep01")]}
    if heads:
        content["heads"] = list(heads)
    return unit.client.post("/api/exchange/resupply", json=content, headers=headers)


def _held(answer):
    assert answer.status_code == 200, answer.text
    return answer.json()["held"][0]["counter"]


def _counted(unit):
    return [one.op_id for one in unit.store.operations.of_log("tablet-a", "ep01")]


def _kept(unit):
    """Return the texts that wait or lie aside."""
    with unit.store.transaction():
        aside = [(one.envelope, one.body) for one in unit.store.operations.quarantined()]
        return sorted(aside + unit.store.waiting.texts())


def _alarms(unit, device="tablet-b"):
    found = list_decisions(unit.store, unit.store.devices.find(device), now_ms=NOON_MS)
    return found.alarms


def test_an_entry_that_a_colleague_forged_counts_for_nothing_and_a_person_is_told(unit, b, log):
    """[SG11] forged_op. It was red before: the entry was in tablet A's log, and handed to all."""
    made_up = log.write(set={"stop_um": 1})

    assert _held(_offer(unit, b, "tablet-b", made_up)) == 1

    assert _counted(unit) == ["tablet-a.ep01.1"]
    assert _kept(unit) == texts(made_up)
    (alarm,) = _alarms(unit)
    assert (alarm.kind, alarm.op_id) == ("set-aside", "tablet-a.ep01.2")
    assert "tablet-b brought" in alarm.sentence
    assert verify_log(unit.store).findings == ()


def test_what_the_device_has_signed_counts_although_it_is_gone_for_good(unit, b, log):
    """[SG11] [HAZ-40] The planted bug it has caught: the head was kept and looked at by nobody."""
    written = [log.write(f"puncture/p-{number}") for number in (2, 3, 4)]

    answer = _offer(unit, b, "tablet-b", *written, heads=[carried_head(written[-1])])

    assert _held(answer) == 4
    assert (_kept(unit), _alarms(unit)) == ([], ())
    verification = verify_log(unit.store)
    # The signature stays with the log, so that it counts as signed here too (SG8).
    assert (verification.findings, verification.unsigned) == ((), 0)


def test_a_head_below_what_is_brought_vouches_up_to_itself(unit, a, b, log):
    """[SG11] The rest waits, byte for byte, until the device brings its own head.

    The planted bug it has caught: whatever came in the same request as a head was let in.
    """
    written = [log.write(f"puncture/p-{number}") for number in (2, 3, 4)]

    answer = _offer(unit, b, "tablet-b", *written, heads=[carried_head(written[0])])

    assert _held(answer) == 2
    assert _kept(unit) == sorted(texts(*written[1:]))
    assert len(_alarms(unit)) == 1

    unit.push(a, "tablet-a", texts(*written[1:]))
    assert len(_counted(unit)) == 4
    assert (_kept(unit), _alarms(unit)) == ([], ())
    assert verify_log(unit.store).findings == ()


def test_what_is_signed_and_lacks_what_came_before_it_is_told_so(unit, b, log):
    """[SG11] [EX11] The entry before it was lost with every disk that held it.

    The planted bug it has caught (so it was): a person was told that the signature was missing.
    """
    lost, brought, after = [log.write(f"puncture/p-{number}") for number in (2, 3, 4)]

    _offer(unit, b, "tablet-b", brought, after, heads=[carried_head(after)])

    (alarm,) = _alarms(unit)
    assert "tablet-a.ep01.3 first, signed by tablet-a, but without what tablet-a" in alarm.sentence
    assert "enter that again" in alarm.sentence
    assert _counted(unit) == ["tablet-a.ep01.1"]

    _offer(unit, b, "tablet-b", lost)
    assert _counted(unit)[-1] == after.op_id
    assert _alarms(unit) == ()


def test_the_device_itself_writes_over_what_was_forged_and_its_text_is_kept(unit, a, b, log):
    """[SG11] [CF5] Nobody says that two devices wrote: tablet A signed one of both alone.

    The planted bug it has caught: the forged entry, brought first, kept the true one out.
    """
    made_up = Writer("tablet-a")
    made_up.log = log.log[:1]
    forged = made_up.write(set={"stop_um": 1})
    beyond = made_up.write(set={"stop_um": 2})
    true = log.write(set={"stop_um": 3})
    _offer(unit, b, "tablet-b", forged, beyond)

    answer = unit.push(a, "tablet-a", texts(true)).json()

    assert answer["tip"]["hash"] == true.hash
    assert _kept(unit) == sorted(texts(forged, beyond))
    with unit.store.transaction():
        assert unit.store.marks.forks() == []
    assert any(one.sentence.startswith("ALARM: ") for one in _alarms(unit))
    assert verify_log(unit.store).findings == ()


@pytest.mark.parametrize(
    "wrong",
    [
        lambda one: carried_head(one, SigningDevice("tablet-b")),
        lambda one: [*carried_head(one)[:4], ""],
        lambda one: [*carried_head(one)[:4], "no base64"],
        lambda one: ["tablet-b", *carried_head(one)[1:]],
        lambda one: ["no device", "Ep 1", 0, "no hash", ""],
        lambda one: [*carried_head(one)[:3], "0" * 64, carried_head(one)[4]],
    ],
)
def test_a_head_that_the_device_did_not_sign_vouches_for_nothing(unit, b, log, wrong):
    """[SG11] The planted bug it has caught: the signature of a head not looked at."""
    written = log.write()

    assert _held(_offer(unit, b, "tablet-b", written, heads=[wrong(written)])) == 1
    assert _kept(unit) == texts(written)
    assert verify_log(unit.store).findings == ()


def test_a_key_that_was_replaced_signs_for_nobody_any_more(unit, a, b, log):
    """[SG11] [SG5] The planted bug it has caught: any key of the device was taken."""
    unit.join("tablet-a", key=SigningDevice("tablet-a", 2), epoch="ep02", **a)
    written = log.write()

    assert _held(_offer(unit, b, "tablet-b", written, heads=[carried_head(written)])) == 1
    newer = carried_head(written, SigningDevice("tablet-a", 2))
    assert _held(_offer(unit, b, "tablet-b", written, heads=[newer])) == 2


def test_a_key_whose_digits_nobody_has_compared_signs_nothing_yet(unit, b, log):
    """[SG11] [RQ7]: what it covers comes in with the first push after the device was let in.

    The planted bug it has caught: whoever had joined under an id signed for it.
    """
    newer = unit.join("tablet-e", is_trusted=False)
    writer = Writer("tablet-e")
    first, second = writer.write("puncture/p-8"), writer.write("puncture/p-9")

    assert _offer(unit, b, "tablet-b", first, heads=[carried_head(first)]).json()["waiting"] == 1
    with unit.store.transaction():
        digits = write_fingerprint(SigningDevice("tablet-e").key_id)
    confirm_device(unit.store, "tablet-e", digits, by="", now_ms=NOON_MS)
    unit.push(newer, "tablet-e", texts(first, second))

    assert unit.store.operations.tip_of("tablet-e", "ep01").counter == 2
    assert (_kept(unit), _alarms(unit)) == ([], ())


def test_a_head_and_what_lies_below_it_may_come_from_two_devices_in_any_order(unit, b, log):
    """[SG11] [EX11]: a booking device holds the last entry, a bedside one the others.

    The planted bug it has caught: a head was forgotten with the request that brought it.
    """
    desk = unit.join("desk-d", "booking")
    below = [log.write(f"puncture/p-{number}") for number in (2, 3)]
    last = log.write("visit/v-1", "booking", set={"label": "Visit 1"})

    assert _held(_offer(unit, desk, "desk-d", last, heads=[carried_head(last)])) == 1
    assert _held(_offer(unit, b, "tablet-b", *below)) == 4
    assert (_kept(unit), _alarms(unit)) == ([], ())
    assert verify_log(unit.store).findings == ()


def test_a_head_that_comes_later_lets_in_what_waited(unit, b, log):
    """[SG11]: a batch is cut before the head over it."""
    written = [log.write(f"puncture/p-{number}") for number in (2, 3)]

    assert _held(_offer(unit, b, "tablet-b", written[0], heads=[carried_head(written[1])])) == 1
    assert _held(_offer(unit, b, "tablet-b", written[1], heads=[carried_head(written[1])])) == 3


def test_a_signed_second_version_is_a_fork_and_an_unsigned_one_is_none(unit, a, b, log):
    """[SG11] [LG4] [EX19].

    The planted bug it has caught: who brought another version made tablet A a copied one.
    """
    other = Writer("tablet-a")
    other.log = log.log[:1]
    second = other.write(set={"stop_um": 1})
    unit.push(a, "tablet-a", texts(log.write(set={"stop_um": 2})))

    _offer(unit, b, "tablet-b", second)
    with unit.store.transaction():
        assert unit.store.marks.forks() == []
    (alarm,) = _alarms(unit)
    assert alarm.kind == "fork"
    assert "tablet-a did not sign" in alarm.sentence

    answer = _offer(unit, b, "tablet-b", second, heads=[carried_head(second)])
    assert _held(answer) == 2
    with unit.store.transaction():
        (fork,) = unit.store.marks.forks()
    assert fork.other_hash == second.hash
    assert _kept(unit) == texts(second)
    assert verify_log(unit.store).findings == ()


def test_what_a_revoked_device_wrote_after_its_end_is_set_aside_with_and_without_a_head(
    unit, b, log
):
    """[SG11] [EX12]: and its log stays where the revocation ended it.

    The planted bug it has caught: it waited, as if the device could come and sign it.
    """
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    first, second = log.write(), log.write("puncture/p-2")

    for heads in ([], [carried_head(second)]):
        answer = _offer(unit, b, "tablet-b", first, second, heads=heads).json()
        assert answer["waiting"] == 0
        assert len(answer["quarantined"]) == 2
        assert "after tablet-a was revoked" in answer["quarantined"][0]["sentence"]
    assert _counted(unit) == ["tablet-a.ep01.1"]
    assert _kept(unit) == sorted(texts(first, second))
    assert verify_log(unit.store).findings == ()


def test_a_device_that_is_revoked_while_its_entries_wait_signs_none_of_them_any_more(unit, b, log):
    """[SG11] [EX12]: signed or not, they came after its end."""
    written = log.write()
    _offer(unit, b, "tablet-b", written)
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)

    assert "tablet-a was revoked" in _alarms(unit)[0].sentence
    _offer(unit, b, "tablet-b", written, heads=[carried_head(written)])
    assert _kept(unit) == texts(written)
    assert [one.body_text for one in unit.store.operations.of_log("tablet-a", "ep01")][1:] == []


def test_a_person_vouches_by_a_file_for_what_nobody_can_sign_any_more(unit, b, log):
    """[SG11] [BU3]: an older release kept no heads, and the tablet is gone.

    What leaves a gap in a file is vouched for by who took the file in, also once it is let in.
    The planted bug it has caught: it waited on for the head when the gap was filled.
    """
    written = [log.write(f"puncture/p-{number}") for number in (2, 3, 4)]
    _offer(unit, b, "tablet-b", *written)
    assert len(_counted(unit)) == 1

    def carry(*operations):
        manifest = Manifest(made_by="tablet-b", made_at_ms=1, scope="all", streams=("care",))
        bundle = Bundle(manifest, tuple(texts(*operations)), ())
        return import_bundle(unit.store, bundle, now_ms=NOON_MS)

    carry(written[2])
    assert len(_counted(unit)) == 1
    carry(*written[:2])
    assert len(_counted(unit)) == 4
    assert (_kept(unit), _alarms(unit)) == ([], ())
    assert verify_log(unit.store).findings == ()


def test_a_person_who_has_seen_to_it_is_not_asked_again_before_more_comes(unit, b, log):
    """[SG11] [CF5]; a device hears of its own streams alone."""
    desk = unit.join("desk-d", "booking")
    _offer(unit, b, "tablet-b", log.write())
    assert _alarms(unit, "desk-d") == ()
    (before,) = _alarms(unit)
    _offer(unit, b, "tablet-b", log.log[-1])
    assert _alarms(unit) == (before,)

    _offer(unit, b, "tablet-b", log.write("puncture/p-2"))

    (after,) = _alarms(unit)
    assert after.name != before.name
    assert "2 entries" in after.sentence
    assert desk


def test_more_heads_than_a_batch_may_hold_are_refused(unit, b, log):
    """[EX5]."""
    written = log.write()

    answer = _offer(unit, b, "tablet-b", written, heads=[carried_head(written)] * 1_001)

    assert_problem(answer, 413, "Send at most 1000")
    assert _kept(unit) == []


def test_a_page_hands_out_the_heads_over_what_it_holds(unit, a, b):
    """[SG12] Of each log the first from its last entry on, and else the last one before, if asked.

    The planted bug it has caught: the head above a page that was cut was left out.
    """
    writer = Writer("tablet-a")
    for count in (1, 2, 2):
        unit.push(a, "tablet-a", texts(*(writer.write() for _ in range(count))))

    def heads(**asked):
        answer = unit.pull(b, "care", **asked).json()
        return [one[2] for one in answer.get("heads", [])]

    assert heads() == []
    assert heads(heads="page") == [5]
    assert heads(heads="page", rows=True) == [5]
    assert heads(heads="page", limit=2) == [1, 3]
    assert heads(heads="page", after=5) == []
    assert heads(heads="all", after=5) == [5]
    whole = unit.pull(b, "care", heads="page").json()["heads"]
    assert whole == [carried_head(writer.log[-1])]
    assert unit.handshake(b, "tablet-b").json()["signed_heads"] is True
