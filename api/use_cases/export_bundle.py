"""Export a bundle: what the unit holds, as one file for a place that no network reaches."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from api.storage.bundle import Bundle, HeadSignature, Manifest, write_bundle
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UseCaseError


class Exported(msgspec.Struct, frozen=True):
    """How many operations a bundle holds, and the ids of those left out as damaged here (LG6)."""

    operations: int
    left_out: tuple[str, ...]

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is to be known of the file."""
        if not self.left_out:
            return ()
        return (
            f"Entries that are damaged in this store and not in the file: {len(self.left_out)}, "
            f"{self.left_out[0]} first. Restore the store from a backup and write the file again.",
        )


def export_bundle(
    store: UnitStore, target: Path, *, streams: Sequence[str] = (), now_ms: int
) -> Exported:
    """Write a bundle and return what became of it.

    Parameters
    ----------
    streams : sequence of str
        Streams wanted; none means all of them.

    Raises
    ------
    UseCaseError
        A stream that the record catalogue does not know.
    StorageError
        The target exists or cannot be written.

    Notes
    -----
    Rules BU1, BU4, LG6. An operation that lies in quarantine goes along with its exact texts, so
    that the place that reads it comes to the same verdict and its log moves on alike.
    """
    known = {kind.stream for kind in store.catalogue.kinds.values()}
    for stream in streams:
        if stream not in known:
            names = ", ".join(sorted(known))
            message = f"There is no stream {stream[:24]!r}. Choose among {names}."
            raise UseCaseError(message)
    with store.transaction():
        left_out: list[str] = []
        rows = list(_rows(store, streams, left_out))
        bundle = Bundle(
            Manifest(
                made_by=store.fact("generation") or "",
                made_at_ms=now_ms,
                scope="streams" if streams else "all",
                streams=tuple(sorted({stream for stream, _, _ in rows})),
            ),
            tuple((envelope, body) for _, envelope, body in rows),
            tuple(_signatures(store)),
        )
    write_bundle(target, bundle)
    return Exported(len(bundle.operations), tuple(left_out))


def _rows(
    store: UnitStore, streams: Sequence[str], left_out: list[str]
) -> Iterator[tuple[str, str, str]]:
    set_aside = {one.envelope: one.body for one in store.operations.quarantined()}
    for device, epoch in store.operations.logs():
        for entry in store.operations.entries_of_log(device, epoch):
            operation = entry.operation
            if entry.trouble:
                left_out.append(operation.op_id)
                continue
            if streams and operation.stream not in streams:
                continue
            envelope = operation.envelope_text
            body = operation.body_text
            if body is None:
                body = set_aside.get(envelope)
            if body is not None:
                yield operation.stream, envelope, body


def _signatures(store: UnitStore) -> Iterator[HeadSignature]:
    for log in store.signatures.signed_logs():
        yield from map(HeadSignature.of, store.signatures.heads_of_log(*log))
