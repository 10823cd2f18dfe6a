"""Merge: from the set of operations on one record to the state that people see.

A pure function of the *set*: order of arrival, repeats and batches change nothing. A value is
gone only where an operation names it in `over` or retracts it, that is where a person saw it.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from sync.merge_policies import UNKNOWN_FIELD, FieldPolicy, MergePolicy
from sync.operation import Body, Operation, decode_body
from sync.reissue import Held, count_once


class HeldValue(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One value left in a field and the operations that hold it.

    Equal values written by several people collapse into one (MG3): ``references`` then has
    more than one entry, ``by`` and ``stamp`` are those of the latest.
    """

    value: Any
    references: tuple[str, ...]
    by: str
    stamp: str


class FieldState(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one field shows.

    ``values`` is ordered by stamp, the latest last. With ``is_conflict`` every value is shown
    and none is chosen; otherwise ``chosen`` is the one to read (None with KEEP_ALL of several).
    """

    values: tuple[HeldValue, ...]
    is_conflict: bool

    @property
    def references(self) -> tuple[str, ...]:
        """All heads of the field: what a form that shows it puts into `over`."""
        return tuple(ref for held in self.values for ref in held.references)


class RecordState(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """What one record shows.

    Parameters
    ----------
    fields : dict
        Field name to its state; fields whose every value was retracted are absent.
    struck : tuple of str
        References of the operations entered in error, in order of stamp.
    is_entered_in_error : bool
        True when every operation that set a field was retracted: shown struck through.
    heads : tuple of str
        References of all operations whose values stand, sorted: what a signature digests.
    waiting : tuple of str
        References that standing operations replace or retract and that are not held yet,
        sorted (MG11).
    newer : int
        How many standing operations set a field that ``policies`` does not know: entries of a
        newer version, under which nobody signs (MG12).
    """

    record: str
    fields: dict[str, FieldState]
    struck: tuple[str, ...]
    is_entered_in_error: bool
    heads: tuple[str, ...]
    waiting: tuple[str, ...] = ()
    newer: int = 0

    @property
    def conflicts(self) -> tuple[str, ...]:
        """Names of the fields that a person has to settle, sorted."""
        return tuple(sorted(name for name, field in self.fields.items() if field.is_conflict))


def canonical_text(value: object) -> str:
    """Return the one JSON text of a value, keys sorted: equal texts are equal values (MG3)."""
    return msgspec.json.encode(value, order="sorted").decode()


def merge_record(
    record: str, operations: Iterable[Operation], policies: Mapping[str, FieldPolicy]
) -> RecordState:
    """Return the state of one record.

    Parameters
    ----------
    record : str
        The record that all operations name.
    operations : iterable of Operation
        Everything held about it, in any order, repeats allowed; operations whose body is
        withheld or still unreadable count for nothing.
    policies : mapping
        Field name to policy; unknown fields are decided by a person (MG8).

    Returns
    -------
    RecordState
        The same for the same set of operations, whatever their order.

    Notes
    -----
    Rules MG1-MG12.
    """
    read: Held = {}
    withheld: set[str] = set()
    for operation in operations:
        if operation.body_text is None:
            withheld.add(operation.reference)
        else:
            read.setdefault(operation.reference, (operation, decode_body(operation.body_text)))
    if len(read) == 1:
        ((operation, body),) = read.values()
        if not (body.over or body.retract or body.again):
            return _state_of_one(operation, body, policies)
    return _state_of_many(record, read, withheld, policies)


def _state_of_one(
    operation: Operation, body: Body, policies: Mapping[str, FieldPolicy]
) -> RecordState:
    """Return what `_state_of_many` would, sooner: most records are written once and never again."""
    references = (operation.reference,)
    fields = {
        name: FieldState(
            values=(
                HeldValue(
                    value=body.set[name], references=references, by=body.by, stamp=operation.stamp
                ),
            ),
            is_conflict=False,
        )
        for name in sorted(body.set)
    }
    return RecordState(
        record=operation.record,
        fields=fields,
        struck=(),
        is_entered_in_error=False,
        heads=references,
        newer=int(not body.set.keys() <= policies.keys()),
    )


def _state_of_many(
    record: str, read: Held, withheld: set[str], policies: Mapping[str, FieldPolicy]
) -> RecordState:
    held = count_once(read)
    standing = _standing(held)
    gone: dict[str, set[str]] = {}
    named: set[str] = set()
    for reference in standing:
        body = held[reference][1]
        for name, seen in body.over.items():
            gone.setdefault(name, set()).update(seen)
            named.update(seen)
        named.update(body.retract)
    heads: dict[str, list[str]] = {}
    for reference in standing:
        for name in held[reference][1].set:
            if reference not in gone.get(name, ()):
                heads.setdefault(name, []).append(reference)
    struck = sorted(set(held) - standing, key=lambda ref: (held[ref][0].stamp, ref))
    setters = [ref for ref, (_, body) in held.items() if body.set]
    return RecordState(
        record=record,
        fields={
            name: _field_state(name, heads[name], held, policies.get(name, UNKNOWN_FIELD))
            for name in sorted(heads)
        },
        struck=tuple(ref for ref in struck if held[ref][1].set),
        is_entered_in_error=bool(setters) and not any(ref in standing for ref in setters),
        heads=tuple(sorted({ref for refs in heads.values() for ref in refs})),
        waiting=tuple(sorted(named - held.keys() - withheld)),
        newer=sum(not (held[ref][1].set.keys() <= policies.keys()) for ref in standing),
    )


def _standing(held: Mapping[str, tuple[Operation, Body]]) -> set[str]:
    """Return the references not retracted by an operation that itself stands (MG9).

    A circle of retractions, which only a made-up `again` can form, strikes nobody.
    """
    retracted_by: dict[str, list[str]] = {}
    for reference, (_, body) in held.items():
        for target in body.retract:
            retracted_by.setdefault(target, []).append(reference)
    if not retracted_by:
        return set(held)
    stands = dict.fromkeys(held.keys() - retracted_by.keys(), True)
    undecided = held.keys() & retracted_by.keys()
    while undecided:
        decided: dict[str, bool] = {}
        for reference in undecided:
            verdicts = [stands.get(one) for one in retracted_by[reference]]
            if True in verdicts:
                decided[reference] = False
            elif None not in verdicts:
                decided[reference] = True
        if not decided:
            break
        stands.update(decided)
        undecided = undecided - decided.keys()
    return {reference for reference in held if stands.get(reference, True)}


def _field_state(
    name: str,
    references: list[str],
    held: Mapping[str, tuple[Operation, Body]],
    policy: FieldPolicy,
) -> FieldState:
    if len(references) == 1:
        operation, body = held[references[0]]
        only = HeldValue(
            value=body.set[name], references=(references[0],), by=body.by, stamp=operation.stamp
        )
        return FieldState(values=(only,), is_conflict=False)
    by_text: dict[str, list[str]] = {}
    ordered = sorted(references, key=lambda ref: (held[ref][0].stamp, ref))
    for reference in ordered:
        by_text.setdefault(canonical_text(held[reference][1].set[name]), []).append(reference)
    values = tuple(
        HeldValue(
            value=held[refs[-1]][1].set[name],
            references=tuple(refs),
            by=held[refs[-1]][1].by,
            stamp=held[refs[-1]][0].stamp,
        )
        for refs in sorted(by_text.values(), key=lambda refs: (held[refs[-1]][0].stamp, refs[-1]))
    )
    if len(values) == 1 or policy.merge is MergePolicy.KEEP_ALL:
        return FieldState(values=values, is_conflict=False)
    if policy.merge is MergePolicy.LATEST:
        return FieldState(values=values, is_conflict=False)
    if policy.merge is MergePolicy.FURTHEST and all(
        isinstance(held_value.value, str) and held_value.value in policy.rank
        for held_value in values
    ):
        return FieldState(
            values=tuple(
                sorted(values, key=lambda held_value: policy.rank.index(held_value.value))
            ),
            is_conflict=False,
        )
    return FieldState(values=values, is_conflict=True)


def shown_value(field: FieldState | None) -> Any:  # noqa: ANN401  a field may hold any JSON
    """Return the value a plain reader sees: the last one, or None while a conflict is open.

    With KEEP_ALL the reader lists ``values`` instead.
    """
    if field is None or field.is_conflict:
        return None
    return field.values[-1].value
