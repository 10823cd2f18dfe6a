"""Re-issues: what a copied tablet wrote, written again in a new epoch, and counted once.

Two copies of one tablet give the same ids to different operations. The copy whose branch the
unit does not hold writes it again under ids of its own; `again` in the body names the first.
"""

from collections.abc import Iterable, Mapping

import msgspec

from sync.operation import Body, Operation, make_operation_of, read_body

Held = dict[str, tuple[Operation, Body]]


def write_again(body_text: str, reference: str) -> str:
    """Return a body text that names the operation it repeats; all else stays as it was written.

    A body that is itself a re-issue keeps the name of the very first (OP8).
    """
    if read_body(body_text).again:
        return body_text
    return f'{body_text[:-1]},"again":"{reference}"}}'


def reissue_branch(
    branch: Iterable[Operation], *, epoch: str, counter: int = 0, previous: str = ""
) -> list[Operation]:
    """Return the operations of a branch, written again at the end of another log.

    Parameters
    ----------
    branch : iterable of Operation
        Own operations that the unit does not hold, in the order of their log.
    epoch, counter, previous : str, int, str
        Where the log ends that they continue: its epoch, its last counter and that one's hash.

    Notes
    -----
    Rule EX9. Each keeps record, stream, stamp, author, values and what it replaces, so that
    either of the two says the same (MG10).
    """
    made: list[Operation] = []
    for first in branch:
        counter += 1
        again = make_operation_of(
            device=first.device,
            epoch=epoch,
            counter=counter,
            previous=previous,
            stream=first.stream,
            record=first.record,
            stamp=first.stamp,
            body_text=write_again(first.body_text or "", first.reference),
        )
        made.append(again)
        previous = again.hash
    return made


def count_once(held: Held) -> Held:
    """Return operations by reference with each re-issue folded into the first it names (MG10).

    The result is keyed by the first's reference, whether or not the first itself is held, and
    `over` and `retract` speak of firsts alone. A re-issue of another device, or one that does
    not say what the first says, stands for itself: nothing may hide behind `again`.
    """
    reissues: dict[str, list[str]] = {}
    for reference, (operation, body) in held.items():
        if body.again and body.again.split(".", 1)[0] == operation.device:
            reissues.setdefault(body.again, []).append(reference)
    first_of: dict[str, str] = {}
    for first, found in reissues.items():
        known = held.get(first)
        if known is not None and known[1].again:
            continue
        same = [*found, first] if known is not None else found
        if len({_content(*held[reference]) for reference in same}) == 1:
            first_of.update(dict.fromkeys(found, first))
    if not first_of:
        return held
    folded: Held = {}
    # Sorted, so that the order of arrival chooses nothing; all of one class say the same.
    for reference in sorted(held):
        operation, body = held[reference]
        folded.setdefault(first_of.get(reference, reference), (operation, _rename(body, first_of)))
    return folded


def _content(operation: Operation, body: Body) -> bytes:
    return msgspec.json.encode(
        [operation.stamp, body.by, body.set, body.over, body.retract], order="sorted"
    )


def _rename(body: Body, first_of: Mapping[str, str]) -> Body:
    def firsts(references: Iterable[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(first_of.get(one, one) for one in references))

    return msgspec.structs.replace(
        body,
        over={name: firsts(seen) for name, seen in body.over.items()},
        retract=firsts(body.retract),
    )
