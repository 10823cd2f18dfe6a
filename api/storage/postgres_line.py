"""The line to a hub's PostgreSQL: never in clear to another host, as HTTP is not.

By its library's own default a line that the other side refuses to encrypt goes on in clear, and
nobody is told. What counts is read as that library reads it: the address first, then the
environment. Rule ids: SEC-09.
"""

import ipaddress
import itertools
from typing import Any

import psycopg
from psycopg import conninfo, pq

from api.storage.errors import StorageError

_ENCRYPTED = frozenset({"require", "verify-ca", "verify-full"})
_LOCAL_NAME = "localhost"
# Which database it is; whatever else an address says is how one gets there.
_WHICH = ("service", "host", "hostaddr", "port", "dbname")
_ADVICE = "Add sslmode=verify-full and sslrootcert=FILE (at least sslmode=require), then try again."


def refuse_clear_line(url: str) -> None:
    """Refuse an address by which records could cross to another host in clear.

    Raises
    ------
    StorageError
        It cannot be read, or leads elsewhere and asks for no encryption.
    """
    asked = _read(url)
    defaults = {
        one.keyword.decode(): one.val.decode() for one in pq.Conninfo.get_defaults() if one.val
    }
    if str(asked.get("sslmode", defaults.get("sslmode", ""))) in _ENCRYPTED:
        return
    if "service" in asked or "service" in defaults:
        # A file of the library's own names the host, and nobody here reads it.
        raise StorageError(
            "The address of the hub's database names a service, so that nobody can tell whether "
            f"records would cross in clear. {_ADVICE}"
        )
    found = {**defaults, **asked}
    for host in _hosts(found):
        if not _is_here(host):
            raise StorageError(
                f"The hub's database is on another host ({host[:80]}), and its address does not "
                f"ask for TLS: records could cross in clear. {_ADVICE}"
            )


def is_same_database(one: str, other: str) -> bool:
    """Say whether two addresses name one database, however one gets there."""
    try:
        first, second = _read(one), _read(other)
    except StorageError:
        return False
    return all(first.get(name) == second.get(name) for name in _WHICH)


def _read(url: str) -> dict[str, Any]:
    try:
        return dict(conninfo.conninfo_to_dict(url))
    except (psycopg.Error, UnicodeError) as error:
        # What the library says of it may repeat a password.
        raise StorageError(
            "The address of the hub's database cannot be read. Write it as "
            "postgresql://USER@HOST/DATABASE?sslmode=verify-full&sslrootcert=FILE."
        ) from error


def _hosts(found: dict[str, Any]) -> list[str]:
    """Return where the line goes; an address counts before the name that it is said to have."""
    addresses, names = (str(found.get(name, "")).split(",") for name in ("hostaddr", "host"))
    return [
        address or name for address, name in itertools.zip_longest(addresses, names, fillvalue="")
    ]


def _is_here(host: str) -> bool:
    """Say whether this is a socket of this machine, which an empty name is too, or its loopback."""
    if host == "" or host.startswith("/") or host.lower() == _LOCAL_NAME:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
