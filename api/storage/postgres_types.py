"""How values travel to PostgreSQL and back, so that they are what SQLite would return.

PostgreSQL keeps no sign of number zero in a text, and an operation may bear one; such a text is
kept with a sign from the private area of Unicode in its place.
"""

from decimal import Decimal
from typing import Any

from psycopg import Connection
from psycopg.adapt import Buffer, Dumper, Loader
from psycopg.postgres import types
from psycopg.types.string import StrDumper, StrDumperUnknown

_SIGN = "\ue000"
_ZERO, _ITSELF = _SIGN + "0", _SIGN + "1"


def hide_zero(text: str) -> str:
    r"""Return a text that PostgreSQL can keep.

    Examples
    --------
    >>> show_zero(hide_zero("a\x00b\ue000c")) == "a\x00b\ue000c"
    True
    """
    if "\x00" not in text and _SIGN not in text:
        return text
    return text.replace(_SIGN, _ITSELF).replace("\x00", _ZERO)


def show_zero(text: str) -> str:
    """Return the text that was hidden by `hide_zero`."""
    if _SIGN not in text:
        return text
    return text.replace(_ZERO, "\x00").replace(_ITSELF, _SIGN)


class _Text(StrDumper):
    def dump(self, obj: str) -> Buffer | None:
        return super().dump(hide_zero(obj))


class _UnknownText(StrDumperUnknown):
    def dump(self, obj: str) -> Buffer | None:
        return super().dump(hide_zero(obj))


class _TextBack(Loader):
    def load(self, data: Buffer) -> str:
        return show_zero(bytes(data).decode())


class _NumberBack(Loader):
    """Sums and quotients: whole ones as integers, as everywhere else."""

    def load(self, data: Buffer) -> int | float:
        number = Decimal(bytes(data).decode())
        return int(number) if number == number.to_integral_value() else float(number)


class _TruthAsNumber(Dumper):
    oid = types["int8"].oid

    def dump(self, obj: bool) -> Buffer | None:
        return b"1" if obj else b"0"


class _TruthBack(Loader):
    def load(self, data: Buffer) -> int:
        return int(bytes(data) == b"t")


def adapt_values(connection: Connection[Any]) -> None:
    """Let values travel over a connection as SQLite would take and return them."""
    adapters = connection.adapters
    adapters.register_dumper(str, _Text)
    adapters.register_dumper(str, _UnknownText)
    adapters.register_dumper(bool, _TruthAsNumber)
    for name in ("text", "varchar", "name", "bpchar"):
        adapters.register_loader(name, _TextBack)
    adapters.register_loader("numeric", _NumberBack)
    adapters.register_loader("bool", _TruthBack)
