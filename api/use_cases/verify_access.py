"""Verify the chain of access events against itself, its signed heads, and those kept outside."""

from collections.abc import Iterable, Iterator, Mapping

from api.storage.access_log import AccessHead, hash_line, read_line, write_line
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE

_WHAT_TO_DO = (
    "Keep this folder as it is for whoever investigates, and compare it with the backups and the "
    "heads kept outside."
)


def judge_access_log(store: UnitStore, outside: Iterable[AccessHead] = ()) -> Iterator[str]:
    """Yield a sentence for each thing wrong with the access log; inside a transaction.

    Parameters
    ----------
    outside : iterable of AccessHead
        Heads that were exported and kept elsewhere.

    Notes
    -----
    Rule AU3. Lines cut off from the end together with the heads over them are found by a head
    kept outside alone, or by the seal of the closed store (SG9).
    """
    held: dict[int, str] = {}
    last = (0, "")
    for seq, text, kept in store.access.texts():
        yield from _judge_line(seq, text, kept, last)
        held[seq] = kept
        last = (seq, kept)
    known = {
        *(key.key_id for key in store.server_key.every),
        *(key.key_id for key in store.signatures.keys_of(SERVER_DEVICE)),
    }
    for head in store.access.heads():
        yield from _judge_head(head, held, known, "signed here")
    for head in outside:
        yield from _judge_head(head, held, known, "kept outside")


def _judge_line(seq: int, text: str, kept: str, last: tuple[int, str]) -> Iterator[str]:
    if hash_line(text) != kept:
        yield f"Access event {seq} was changed here. {_WHAT_TO_DO}"
        return
    line = read_line(text)
    if line is None or write_line(line) != text or line.seq != seq:
        yield f"What is stored as access event {seq} is none, or another one. {_WHAT_TO_DO}"
    elif seq != last[0] + 1:
        yield f"Access events are missing before {seq}. {_WHAT_TO_DO}"
    elif line.previous != last[1]:
        yield f"Access event {seq} does not follow the one before it. {_WHAT_TO_DO}"


def _judge_head(
    head: AccessHead, held: Mapping[int, str], known: set[str], where: str
) -> Iterator[str]:
    name = f"The head of the access log at {head.seq}, {where},"
    if not head.is_sound:
        yield f"{name} is not what its key signed. {_WHAT_TO_DO}"
    elif head.key_id not in known:
        yield f"{name} is signed by a key that this unit never had. {_WHAT_TO_DO}"
    elif head.seq not in held:
        yield f"{name} was reached once, and that event is not held now. {_WHAT_TO_DO}"
    elif held[head.seq] != head.hash:
        yield f"{name} is another event than the one held now. {_WHAT_TO_DO}"
