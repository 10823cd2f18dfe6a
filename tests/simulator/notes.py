"""What people were told, written down apart from the record, and what has to be true of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sync.merge import canonical_text
from sync.operation import Operation
from tests.simulator.tablet_disk import Texts


@dataclass(frozen=True)
class Note:
    """One save that a person was told of."""

    texts: Texts
    op_id: str
    record: str
    wrote: dict[str, str]
    over: Mapping[str, tuple[str, ...]]
    retract: tuple[str, ...]


@dataclass
class Notes:
    """Every save by its reference; ``gone`` are those whose every copy was lost with disks."""

    told: dict[str, Note] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)

    def write(
        self,
        operation: Operation,
        values: Mapping[str, Any],
        over: Mapping[str, tuple[str, ...]],
        retract: tuple[str, ...],
    ) -> None:
        """Note a save at the moment in which the person was told."""
        self.told[operation.reference] = Note(
            texts=(operation.envelope_text, operation.body_text or ""),
            op_id=operation.op_id,
            record=operation.record,
            wrote={name: canonical_text(value) for name, value in values.items()},
            over=over,
            retract=retract,
        )

    def present(self) -> dict[str, Note]:
        """Return what must be somewhere."""
        return {ref: note for ref, note in self.told.items() if ref not in self.gone}

    def expected_values(self, *, without: set[str]) -> dict[tuple[str, str], set[str]]:
        """Return the values that nobody replaced or retracted, by record and field.

        Plain and slow on purpose: another way to the same answer than `sync.merge`. ``without``
        names what is set aside for a person.
        """
        present = {ref: note for ref, note in self.present().items() if ref not in without}
        standing: set[str] = set()
        # A retraction is always told after its target, so go backwards.
        for reference in reversed(list(present)):
            if not any(reference in present[other].retract for other in standing):
                standing.add(reference)
        replaced = {
            (name, seen)
            for other in standing
            for name, references in present[other].over.items()
            for seen in references
        }
        found: dict[tuple[str, str], set[str]] = {}
        for reference in sorted(standing):
            note = present[reference]
            for name, text in note.wrote.items():
                if (name, reference) not in replaced:
                    found.setdefault((note.record, name), set()).add(text)
        return found

    def forked_devices(self) -> set[str]:
        """Return the devices under whose name one id was told twice."""
        seen: set[str] = set()
        twice: set[str] = set()
        for note in self.present().values():
            (twice if note.op_id in seen else seen).add(note.op_id)
        return {op_id.split(".")[0] for op_id in twice}
