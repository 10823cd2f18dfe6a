"""Judge acts on visits as they arrive: whether each follows from what its writer saw.

Only what is illegal by its own history is refused: a fault of a program, or a forgery. Two acts
that were done apart are none; they meet in the merge, and a person settles them.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence

import msgspec

from api.clinical_rules.recorded_acts import ANYTHING, JUDGED, refuse_recorded_act
from api.storage.unit_store import UnitStore
from api.use_cases.follow_up_record import CLINICIANS
from api.use_cases.server_log import SERVER_DEVICE
from sync.errors import SyncError
from sync.operation import Body, Operation, decode_body, read_operation
from sync.reissue import Held, count_once

ACTED_ON = "visit"
_PERSON = "staff"
# Before it no version of the app asked the table of the course: a visit could be made by anybody.
_FIRST_WITH_COURSE = 5


class HeldBack(msgspec.Struct, frozen=True):
    """Why an act is not taken in; ``waits`` where what it was done on has not arrived yet."""

    sentence: str
    waits: bool


class _Screen(msgspec.Struct, frozen=True):
    """What one field showed to a writer, as far as it can be told here.

    ``is_unknown`` where something named has not arrived, ``is_unreadable`` where it has and nobody
    can read it.
    """

    values: tuple[object, ...]
    is_unknown: bool = False
    is_unreadable: bool = False


def judge_acts(store: UnitStore, arrived: Sequence[Operation]) -> dict[str, HeldBack]:
    """Return which of these operations are not taken in, by reference; runs in a transaction.

    Parameters
    ----------
    arrived : sequence of Operation
        Sound operations of one batch, not yet in the log: they are history to each other.

    Notes
    -----
    Rules CV11-CV14. The verdict follows from the operation, from what its own `over` names, from
    the staff record of its writer and from the rights of its device; what else stands on the
    visit is not asked.
    """
    asked = [(one, body) for one in arrived if (body := _read_act(one))]
    judge = _Judge(store, arrived if asked else ())
    # Whatever an entry names bears an earlier stamp: so a refused one is none's history by then.
    for one, body in sorted(asked, key=lambda pair: (pair[0].stamp, pair[0].reference)):
        judge.judge(one, body)
    return judge.held_back


def judge_again(store: UnitStore, records: Iterable[str]) -> list[Operation]:
    """Return what waited for what has arrived on these records, and may come in now.

    What may not is kept aside with the reason from now on.
    """
    let_in: list[Operation] = []
    for record in sorted(records):
        for texts in store.held_back.on(record):
            if texts.sentence != tell_waiting(texts.op_id):
                continue
            operation = read_operation(texts.envelope, texts.body)
            found = judge_acts(store, [operation]).get(operation.reference)
            if found is None:
                let_in.append(operation)
            elif not found.waits:
                store.held_back.say_otherwise(texts, found.sentence)
    return let_in


def tell_waiting(op_id: str) -> str:
    """Return the sentence that is kept with an act that waits for its history."""
    return (
        f"{op_id} changes a visit as it stood after an entry that has not arrived here. It is kept "
        "aside until that arrives. Have every device exchange; if it stays, a clinician acts anew."
    )


def _read_act(operation: Operation) -> Body | None:
    """Return the body of an act on a visit, None of what the course does not judge."""
    is_act = operation.kind == ACTED_ON and operation.device != SERVER_DEVICE
    if not is_act or operation.body_text is None:
        return None
    body = decode_body(operation.body_text)
    return body if not body.set.keys().isdisjoint(JUDGED) else None


class _Judge:
    """One batch on its way before the table of the course."""

    def __init__(self, store: UnitStore, arrived: Sequence[Operation]) -> None:
        self._store = store
        self._arrived: dict[str, list[Operation]] = {}
        for one in arrived:
            if one.kind in (ACTED_ON, _PERSON):
                self._arrived.setdefault(one.record, []).append(one)
        self._held: dict[str, Held] = {}
        self._roles: dict[str, frozenset[str]] = {}
        self._refused: dict[str, Body] = {}
        self.held_back: dict[str, HeldBack] = {}

    def judge(self, operation: Operation, body: Body) -> None:
        found = self._find_fault(operation, body)
        if found is None:
            return
        self.held_back[operation.reference] = found
        if not found.waits:
            self._refused[operation.reference] = body
            self._held.pop(operation.record, None)

    def _find_fault(self, operation: Operation, body: Body) -> HeldBack | None:
        fields = {name: body.set[name] for name in JUDGED if name in body.set}
        shown = {name: self._screen_of(operation, body, name) for name in fields}
        # Where nothing of what was named can be read, it may have been anything; and the act then
        # replaces nothing here, so that it hides nothing either.
        named = {
            name: one.values or (ANYTHING[name] if one.is_unknown or one.is_unreadable else ())
            for name, one in shown.items()
        }
        why = refuse_recorded_act(fields, named, self._role(operation, body, shown))
        # What has not arrived yet may allow what is here does not, and the other way round.
        if any(one.is_unknown and bool(one.values) == bool(why) for one in shown.values()):
            return HeldBack(tell_waiting(operation.op_id), waits=True)
        if not why:
            return None
        return HeldBack(
            f"{operation.op_id} was not taken in: {why}. It is kept aside and counts for nothing; "
            "a clinician looks at the visit and acts anew where it was meant.",
            waits=False,
        )

    def _role(self, operation: Operation, body: Body, shown: Mapping[str, _Screen]) -> str:
        """Say as whom an operation was written (CV12)."""
        device = self._store.devices.find(operation.device)
        if device is not None and "care" not in device.streams:
            return "booking"
        known = self._roles_of(body.by)
        is_older = body.catalogue < _FIRST_WITH_COURSE and shown.get("status") == _Screen(())
        is_clinicians = not known or not known.isdisjoint(CLINICIANS) or is_older
        return "clinician" if is_clinicians else "booking"

    def _roles_of(self, person: str) -> frozenset[str]:
        """Return every role that a person was ever given: a later one undoes no act of before."""
        if person not in self._roles:
            bodies = [body for _, body in self._read(person).values()]
            told = [one.set["role"] for one in bodies if one.set.get("role") is not None]
            self._roles[person] = frozenset(map(str, told))
        return self._roles[person]

    def _screen_of(self, operation: Operation, body: Body, name: str) -> _Screen:
        """Return what a field showed, read from what its `over` names."""
        references = body.over.get(name, ())
        if not references:
            return _Screen(())
        known = {ref: body for ref, (_, body) in self._history(operation.record).items()}
        refused: dict[str, Body] = {}
        lost: list[str] = []
        for reference in references:
            if reference in known:
                continue
            body_aside, waits = self._read_aside(reference)
            if body_aside is None:
                lost.append(reference)
            else:
                (known if waits else refused)[reference] = body_aside
        # What was refused is history to those alone who saw nothing else.
        seen = [one for one in references if one in known]
        struck = {one for body in known.values() for one in body.retract}
        shown = [one for one in seen if one not in _replaced(seen, known, name, struck)]
        # One that was replaced stands again where what replaced it was undone: that undoing may
        # not have arrived. What one of the others names itself was on no screen beside it.
        direct = {one for other in seen for one in known[other].over.get(name, ())}
        bodies = {**refused, **known}
        return _Screen(
            values=tuple(
                bodies[one].set[name] for one in shown or refused if name in bodies[one].set
            ),
            is_unknown=not all(map(self._is_here, lost)) or bool({*seen} - direct - {*shown}),
            is_unreadable=any(map(self._is_here, lost)),
        )

    def _history(self, record: str) -> Held:
        """Return what counts of a record by now; a re-issue under both of its names."""
        if record not in self._held:
            held = {
                reference: pair
                for reference, pair in self._read(record).items()
                if reference not in self._refused
            }
            self._held[record] = {**held, **count_once(held)}
        return self._held[record]

    def _read(self, record: str) -> Held:
        """Return what is held of a record or just came, by reference."""
        operations = [*self._store.operations.of_record(record), *self._arrived.get(record, ())]
        return {
            one.reference: (one, decode_body(one.body_text))
            for one in operations
            if one.body_text is not None
        }

    def _read_aside(self, reference: str) -> tuple[Body | None, bool]:
        """Return what lies aside under a reference, and whether it only waits for its history."""
        if reference in self._refused:
            return self._refused[reference], False
        for texts in self._store.held_back.of_id(reference.partition("#")[0]):
            try:
                operation = read_operation(texts.envelope, texts.body)
            except SyncError:
                continue
            if operation.reference == reference and operation.body_text is not None:
                body = decode_body(operation.body_text)
                return body, texts.sentence == tell_waiting(texts.op_id)
        return None, False

    def _is_here(self, reference: str) -> bool:
        """Say whether the place of an entry is taken, by itself or by another under its name."""
        op_id = reference.partition("#")[0]
        device, epoch, counter = op_id.split(".")
        is_held = self._store.operations.hash_at(device, epoch, int(counter)) is not None
        return is_held or bool(self._store.held_back.of_id(op_id))


def _replaced(
    references: Sequence[str], bodies: Mapping[str, Body], name: str, struck: Collection[str]
) -> set[str]:
    """Return what these replaced in a field, by themselves or by what they replaced and stands."""
    gone: set[str] = set()
    for reference in references:
        ahead = [reference]
        while ahead:
            known = bodies.get(ahead.pop())
            before = set(known.over.get(name, ()) if known else ()) - gone
            gone |= before
            ahead += before.difference(struck)
    return gone
