"""Verify the bytes of pictures against the hashes by which records name them."""

from api.storage.picture_files import is_digest
from api.storage.unit_store import UnitStore


def judge_pictures(store: UnitStore) -> tuple[list[str], list[str]]:
    """Return what is wrong with the bytes of pictures, and the pictures that have none here.

    Runs inside a transaction. A picture without bytes may still be on its way, so it is no fault;
    one with other bytes is.

    Returns
    -------
    tuple of (list of str, list of str)
        Sentences on altered pictures, and the records whose bytes are not here.
    """
    files = store.pictures
    absent = [record for record, digest in _named_pictures(store) if not files.is_whole(digest)]
    findings = [
        f"The picture {digest} was changed here. Delete that file; a tablet that holds the picture "
        "sends it again when its case is opened, or take it from a backup."
        for digest in files.digests()
        if files.judge(digest) == "altered"
    ]
    return findings, absent


def _named_pictures(store: UnitStore) -> list[tuple[str, str]]:
    return [
        (state.record, held.value["sha256"])
        for state in store.views.of_kind("picture")
        if "file" in state.fields
        for held in state.fields["file"].values
        if isinstance(held.value, dict)
        and isinstance(held.value.get("sha256"), str)
        and is_digest(held.value["sha256"])
    ]
