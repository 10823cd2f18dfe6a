"""Carries what the simulated network exchanges in rows, as the wire does (EX16-EX18)."""

from collections.abc import Sequence

import msgspec

from api.use_cases.answer_pull import Page, RowPage
from api.use_cases.errors import UnreadablePushError
from api.use_cases.log_receiver import read_or_explain
from api.use_cases.read_batch import Sent, read_batch
from sync.errors import MalformedOperationError
from sync.wire import Row, digest_rows, read_rows, write_rows
from tests.simulator.tablet_disk import Texts


def carry_batch(device: str, texts: Sequence[Texts]) -> Sequence[Sent]:
    """Return what a unit builds from the rows of a batch; the texts where it refuses the rows.

    Every other size goes in the long form, as from a tablet of an older release.
    """
    if len(texts) % 2 == 0:
        return texts
    try:
        read = [
            msgspec.structs.replace(read_or_explain(*one)[0], body_text=one[1]) for one in texts
        ]
        rows = msgspec.json.decode(msgspec.json.encode(write_rows(read)), type=list[Row])
        return read_batch(device, [], rows, digest_rows(read, device))
    except (UnreadablePushError, MalformedOperationError):
        return texts


def unpack_page(page: Page | RowPage, stream: str, after: int) -> Page:
    """Return the texts of a page, whichever form it came in."""
    if isinstance(page, Page):
        return page
    said = stream, str(after), str(page.next), "more" if page.more else "end"
    rows = msgspec.json.decode(msgspec.json.encode(page.rows), type=list[Row])
    operations = read_rows(rows, page.digest, *said)
    texts = [(0, one.envelope_text, one.body_text) for one in operations]
    return Page(operations=texts, next=page.next, more=page.more, heads=page.heads)
