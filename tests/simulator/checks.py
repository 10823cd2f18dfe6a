"""What has to hold once everybody is quiet; each finding is one sentence."""

import msgspec

from api.use_cases.verify_log import verify_log
from sync.merge import RecordState, canonical_text, merge_record
from sync.merge_policies import UNKNOWN_FIELD, MergePolicy
from sync.reissue import write_again
from tests.simulator.world import World


def find_faults(world: World) -> list[str]:
    """Return what is wrong: I1 saved, I2 same, I3 shown, I4 visible.

    Where a unit was put back and a tablet was copied or put back as well, one id can stand for two
    entries on two disks, and nobody can tell which came first. Such a ward may come to rest with
    entries set aside; then somebody has to have been told, and no text may be gone.
    """
    faults = [*_unlisted(world), *_untold(world), *verify_log(world.unit.store).findings]
    if world.was_unit_put_back and world.was_tablet_doubled and _is_alarmed(world):
        there = world.held_anywhere()
        return [
            *faults,
            *(f"I1: {one} is on no disk." for one in world.notes.present() if one not in there),
        ]
    return [*faults, *_unsent(world), *_lost(world), *_different(world), *_hidden(world)]


def _is_alarmed(world: World) -> bool:
    store = world.unit.store
    at_unit = store.operations.quarantined() or store.marks.forks() or store.waiting.gaps()
    return bool(at_unit) or any(tablet.memory.quarantine for tablet in world.tablets)


def _lost(world: World) -> list[str]:
    """I1: what a person was told is saved is at the unit, byte for byte.

    The second branch of a fork is there as a re-issue, which says the same letter by letter.
    """
    at_unit = world.unit.held()
    bodies = set(at_unit.values())
    return [
        f"I1: {reference} was told as saved and is not at the unit."
        for reference, note in world.notes.present().items()
        if at_unit.get(note.texts[0]) != note.texts[1]
        and write_again(note.texts[1], reference) not in bodies
    ]


def _states(world: World) -> dict[str, RecordState]:
    store = world.unit.store
    with store.transaction():
        found = {record: store.views.state_of(record) for record in store.operations.records()}
    return {record: state for record, state in found.items() if state is not None}


def _different(world: World) -> list[str]:
    """I2: every tablet shows what the unit shows, of each stream it reads.

    Left out are tablets of which a copy was made: a pull leaves out what bears the own name, so
    that neither sees what the other goes on to write (see DEVELOPERS.md).
    """
    states, store = _states(world), world.unit.store
    streams = {record: store.operations.of_record(record)[0].stream for record in states}
    devices = [tablet.device for tablet in world.tablets]
    faults = []
    for tablet in world.tablets:
        if devices.count(tablet.device) > 1:
            continue
        held = {one.record for one in tablet.memory.operations.values()}
        readable = {record for record in states if streams[record] in tablet.streams}
        for record in sorted(held | readable):
            policies = store.catalogue.policies_of(record.split("/")[0])
            own = merge_record(record, tablet.memory.of_record(record), policies)
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


def _set_aside(world: World) -> set[str]:
    """Return what lies aside at the unit for a person, since its writer was put back before it.

    A late request may bring the second branch of a fork there.
    """
    aside = {(one.envelope, one.body) for one in world.unit.store.operations.quarantined()}
    bodies = set(world.unit.held().values())
    return {
        reference
        for reference, note in world.notes.present().items()
        if note.texts in aside and write_again(note.texts[1], reference) not in bodies
    }


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
    """I4: nothing is shown as unsent at rest."""
    return [
        f"I4: {tablet.label} still shows {tablet.memory.unsent()} unsent."
        for tablet in world.tablets
        if tablet.memory.unsent()
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
