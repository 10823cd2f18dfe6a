"""Rows as CSV (RFC 4180): a header, CRLF, quotes doubled; every field quoted."""

import csv
import io
from collections.abc import Iterable, Sequence

# A spreadsheet would take a field that begins so for a formula and run it.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_csv(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return the rows as CSV text.

    Notes
    -----
    A field that a spreadsheet would take for a formula gets an apostrophe in front; one of digits
    after a plus, a phone number, stays as it is.
    """
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_harmless(field) for field in row] for row in rows)
    return out.getvalue()


def _harmless(field: str) -> str:
    is_phone = field.startswith("+") and field[1:].replace(" ", "").isdigit()
    return f"'{field}" if field.startswith(_FORMULA) and not is_phone else field
