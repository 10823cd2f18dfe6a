"""Conflicts: fields that the policies leave to a person, as data that a screen can list."""

from typing import Any

import msgspec

from sync.merge import RecordState


class OpenConflict(msgspec.Struct, frozen=True, kw_only=True):
    """One field with more than one value left, and what each value rests on."""

    record: str
    field: str
    values: tuple[Any, ...]
    references: tuple[str, ...]


def list_conflicts(state: RecordState) -> tuple[OpenConflict, ...]:
    """Return the open conflicts of one record, by field name.

    A resolution is an ordinary operation whose `over` names all of ``references`` (CF2).
    """
    return tuple(
        OpenConflict(
            record=state.record,
            field=name,
            values=tuple(held.value for held in state.fields[name].values),
            references=state.fields[name].references,
        )
        for name in state.conflicts
    )
