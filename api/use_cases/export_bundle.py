"""Export a bundle: what the unit holds, as one file for a place that no network reaches."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from api.storage.bundle import Bundle, HeadSignature, Manifest, write_bundle
from api.storage.p256 import write_base64
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UseCaseError


def export_bundle(
    store: UnitStore, target: Path, *, streams: Sequence[str] = (), now_ms: int
) -> int:
    """Write a bundle and return how many operations it holds.

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
    Rules BU1, BU4. An operation that lies in quarantine goes along with its exact texts, so that
    the place that reads it comes to the same verdict and its log moves on alike.
    """
    known = {kind.stream for kind in store.catalogue.kinds.values()}
    for stream in streams:
        if stream not in known:
            names = ", ".join(sorted(known))
            message = f"There is no stream {stream[:24]!r}. Choose among {names}."
            raise UseCaseError(message)
    with store.transaction():
        rows = list(_rows(store, streams))
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
    return len(bundle.operations)


def _rows(store: UnitStore, streams: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    set_aside = {one.envelope: one.body for one in store.operations.quarantined()}
    for device, epoch in store.operations.logs():
        for operation in store.operations.of_log(device, epoch):
            if streams and operation.stream not in streams:
                continue
            envelope = operation.envelope_text
            body = operation.body_text
            if body is None:
                body = set_aside.get(envelope)
            if body is not None:
                yield operation.stream, envelope, body


def _signatures(store: UnitStore) -> Iterator[HeadSignature]:
    for device, epoch in store.signatures.signed_logs():
        for head in store.signatures.heads_of_log(device, epoch):
            signature = write_base64(head.signature)
            yield HeadSignature(device, epoch, head.counter, head.hash, head.key_id, signature)
