"""What has to hold once everybody is quiet; each finding is one sentence."""

import msgspec

from api.use_cases.brought_logs import list_unsigned
from api.use_cases.verify_log import verify_log
from sync.merge import RecordState, canonical_text, merge_record
from sync.merge_policies import UNKNOWN_FIELD, MergePolicy
from sync.operation import read_operation
from sync.reissue import write_again
from tests.simulator.notes import Note
from tests.simulator.world import World


def find_faults(world: World) -> list[str]:
    """Return what is wrong: I1 saved, I2 same, I3 shown, I4 visible."""
    return [
        *_unlisted(world),
        *_untold(world),
        *verify_log(world.unit.store).findings,
        *_unsent(world),
        *_lost(world),
        *_different(world),
        *_hidden(world),
        *_aside_for_nothing(world),
        *_counted_too_late(world),
        *_forged(world),
        *_waiting_for_nothing(world),
    ]


def _lost(world: World) -> list[str]:
    """I1: what a person was told is saved is at the unit, byte for byte.

    The second branch of a fork is there as a re-issue, which says the same letter by letter.
    """
    at_unit = world.unit.held()
    bodies = {body for _, body in at_unit}
    return [
        f"I1: {reference} was told as saved and is not at the unit."
        for reference, note in world.notes.present().items()
        if note.texts not in at_unit
        and write_again(note.texts[1], reference) not in bodies
        and not _is_kept_as_other_version(world, note)
    ]


def _is_kept_as_other_version(world: World, note: Note) -> bool:
    """Say whether unit and writer were both put back, and another entry bears the id by now.

    The unit then asks nobody for the text of the first one; each tablet that held it keeps it aside
    and says so, and the unit tells of the fork (EX19).
    """
    device = note.op_id.split(".")[0]
    return (
        world.was_unit_put_back
        and device in world.doubled
        and device in {fork.device for fork in world.unit.store.marks.forks()}
        and any(note.texts in tablet.memory.quarantine for tablet in world.tablets)
    )


def _set_aside(world: World) -> set[str]:
    """Return what lies at the unit for a person alone, and counts for nothing."""
    counted = world.unit.counted()
    bodies = set(counted.values())
    return {
        reference
        for reference, note in world.notes.present().items()
        if counted.get(note.texts[0]) != note.texts[1]
        and write_again(note.texts[1], reference) not in bodies
    }


def _aside_for_nothing(world: World) -> list[str]:
    """I4: nothing is set aside but of a revoked device, or of one that was copied or put back."""
    return [
        f"I4: {reference} was set aside for nothing."
        for reference in sorted(_set_aside(world))
        if world.notes.told[reference].op_id.split(".")[0]
        not in world.revoked.keys() | world.doubled
    ]


def _counted_too_late(world: World) -> list[str]:
    """I3: nothing counts that came from a revoked tablet after it was revoked (EX12)."""
    return [
        f"I3: {envelope[:60]} came after the device was revoked and counts."
        for device, then in world.revoked.items()
        if world.unit.is_revoked(device)
        for envelope in sorted(world.unit.counted().keys() - then)
        if read_operation(envelope, None).device == device
    ]


def _forged(world: World) -> list[str]:
    """I3: what somebody made up in another's name counts nowhere; I1: its text is kept (SG11)."""
    kept, counted = world.unit.held(), set(world.unit.counted().items())
    on_tablets = {texts for tablet in world.tablets for texts in tablet.memory.texts()}
    return [
        f"I3: {texts[0][:60]} was made up and {why}."
        for texts in sorted(world.forged)
        for why, is_so in (
            ("counts", texts in counted),
            ("was handed out", texts in on_tablets),
            ("its text is gone", texts not in kept),
        )
        if is_so
    ]


def _waiting_for_nothing(world: World) -> list[str]:
    """I4: what waits is what nobody signed, or what a lost key did (SG5), or it lacks what is gone.

    Where a device and the unit were both put back, an entry may be left of which no disk holds the
    one before any more: it waits for that, and a person is told so.
    """
    gone = {reference.partition("#")[0] for reference in world.notes.gone}
    told = {one.op_id for one in list_unsigned(world.unit.store)}
    faults, lacking = [], set[str]()
    waiting = [
        (envelope, read_operation(envelope, body or None))
        for envelope, body in set(world.unit.waiting()) - world.forged
    ]
    for envelope, one in sorted(waiting, key=lambda row: (row[1].device, row[1].counter)):
        before = f"{one.device}.{one.epoch}.{one.counter - 1}"
        if (before in gone and one.op_id in told) or before in lacking:
            lacking.add(one.op_id)
        elif one.device not in world.rekeyed and one.reference in world.notes.present():
            faults.append(f"I4: {envelope[:60]} waits for a signature that was given.")
    return faults


def _states(world: World) -> dict[str, RecordState]:
    store = world.unit.store
    with store.transaction():
        found = {record: store.views.state_of(record) for record in store.operations.records()}
    return {record: state for record, state in found.items() if state is not None}


def _different(world: World) -> list[str]:
    """I2: every tablet shows what the unit shows, of each stream it reads.

    A revoked one reads nothing any more; and what the unit set aside stays where it was written.
    """
    states, store = _states(world), world.unit.store
    streams = {record: store.operations.of_record(record)[0].stream for record in states}
    aside = {world.notes.told[reference].texts for reference in _set_aside(world)}
    faults = []
    for tablet in world.tablets:
        if world.unit.is_revoked(tablet.device):
            continue
        counted = {
            record: [
                one
                for one in tablet.memory.of_record(record)
                if (one.envelope_text, one.body_text) not in aside
            ]
            for record in {one.record for one in tablet.memory.operations.values()}
        }
        held = {record for record, operations in counted.items() if operations}
        readable = {record for record in states if streams[record] in tablet.streams}
        for record in sorted(held | readable):
            policies = store.catalogue.policies_of(record.split("/")[0])
            own = merge_record(record, counted.get(record, []), policies)
            there = states.get(record)
            if there is None or msgspec.json.encode(own) != msgspec.json.encode(there):
                faults.append(f"I2: {tablet.label} and the unit differ on {record}.")
    return faults


def _hidden(world: World) -> list[str]:
    """I3: every value that nobody replaced is shown, and two that differ are a conflict."""
    states = _states(world)
    faults = []
    shown = {
        (record, name): {canonical_text(held.value) for held in field.values}
        for record, state in states.items()
        for name, field in state.fields.items()
    }
    expected = world.notes.expected_values(without=_set_aside(world))
    for place in sorted(set(expected) | set(shown)):
        record, name = place
        if shown.get(place, set()) != expected.get(place, set()):
            faults.append(f"I3: {record} {name} shows other values than were left.")
            continue
        known = world.unit.store.catalogue.policies_of(record.split("/")[0])
        if known.get(name, UNKNOWN_FIELD).merge is MergePolicy.ASK_A_PERSON:
            is_told = name in states[record].conflicts
            if is_told != (len(expected[place]) > 1):
                faults.append(f"I3: the conflict of {record} {name} is not told as it is.")
    return faults


def _unlisted(world: World) -> list[str]:
    """I3: the list of open conflicts names those that the records show."""
    listed = {
        (one.record, one.field)
        for one in world.unit.store.views.conflicts(("care", "booking", "unit"))
    }
    states = _states(world)
    found = {(record, name) for record, state in states.items() for name in state.conflicts}
    return [f"I3: the list of conflicts is off by {one}." for one in sorted(listed ^ found)]


def _unsent(world: World) -> list[str]:
    """I4: nothing is shown as unsent at rest, but on one that may not sign or join any more."""
    return [
        f"I4: {tablet.label} still shows {tablet.memory.unsent()} unsent."
        for tablet in world.tablets
        if tablet.memory.unsent() and tablet.label not in world.carried
    ]


def _untold(world: World) -> list[str]:
    """I4: a fork is told at the unit and on a tablet."""
    faults: list[str] = []
    if not world.was_unit_put_back:
        told = {fork.device for fork in world.unit.store.marks.forks()}
        # A copy that was put back to before has forgotten that it was told.
        marked = world.put_back | {
            tablet.device
            for tablet in world.tablets
            if any(own.is_forked for own in tablet.memory.epochs.values())
        }
        forked = world.notes.forked_devices()
        faults += [f"I4: nobody was told of the fork of {one}." for one in sorted(forked - told)]
        faults += [f"I4: no copy of {one} knows of its fork." for one in sorted(forked - marked)]
    return faults
