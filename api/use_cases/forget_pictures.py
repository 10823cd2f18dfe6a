"""Delete the bytes of pictures that were entered in error, such as another patient's.

The record stays, struck through; only what it named goes. A tablet asks for pictures after it has
exchanged its entries, so none asks for one that it does not know to be struck. Copies in backups
made before stay there: whoever keeps backups deletes those.
"""

import logging

from api.storage.errors import DiskFullError, DiskTroubleError
from api.storage.picture_files import is_digest
from api.storage.unit_store import UnitStore
from sync.operation import decode_body

_KIND = "picture"
_LOG = logging.getLogger("crura")


def forget_struck_pictures(store: UnitStore) -> tuple[str, ...]:
    """Delete the bytes that struck records name and no standing one does.

    A disk that refuses is told in the log of the program and asked again at the next start: the
    entries that strike a picture are safe already.

    Returns
    -------
    tuple of str
        The hashes whose bytes are gone now, sorted.
    """
    with store.transaction():
        states = list(store.views.of_kind(_KIND))
        standing = {
            digest
            for state in states
            if "file" in state.fields
            for held in state.fields["file"].values
            for digest in _digest_in(held.value)
        }
        struck = {
            digest
            for state in states
            if state.is_entered_in_error
            for operation in store.operations.of_record(state.record)
            if operation.body_text is not None
            for digest in _digest_in(decode_body(operation.body_text).set.get("file"))
        }
    gone = []
    for digest in sorted(struck - standing):
        try:
            if store.pictures.remove(digest):
                gone.append(digest)
        except (DiskFullError, DiskTroubleError) as error:
            _LOG.warning("The picture %s was not deleted: %s", digest, error)
    return tuple(gone)


def _digest_in(file: object) -> tuple[str, ...]:
    """Return the hash that a value of the field `file` names, none where it names none."""
    digest = file.get("sha256") if isinstance(file, dict) else None
    return (digest,) if isinstance(digest, str) and is_digest(digest) else ()
