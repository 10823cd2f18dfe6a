"""Whether this unit lets its patients be found again at other units, without names (RG9).

It does not until somebody who may decide it has said so and laid down the network's key. A patient
number of the unit counts as a national one only where the unit has said of which country: a number
that a hospital drew passes many a check digit by chance, and would join two strangers.
"""

from pathlib import Path

from api.linkage.national_numbers import SCHEMES
from api.storage.errors import StorageError
from api.storage.site_key import NETWORK_KEY_NAME, read_secret, write_secret
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UseCaseError

FEWEST_BYTES = 16
_FACT = "traits for the network"
_ALLOWED = "allowed"
_NUMBERS_FACT = "patient numbers are national numbers of"


def allow_linkage(store: UnitStore, key_text: str) -> None:
    """Let traits of patients go to the hub, encoded under the network's key.

    Parameters
    ----------
    key_text : str
        The key that all units of the network share and the hub never holds, in hexadecimal
        digits. It comes by a way of its own: from hand to hand, on paper.

    Raises
    ------
    UseCaseError
        It is no key.
    StorageError
        It cannot be written.
    """
    try:
        key = bytes.fromhex(key_text.strip())
    except ValueError:
        key = b""
    if len(key) < FEWEST_BYTES:
        message = (
            f"This is no key of a network. Give at least {2 * FEWEST_BYTES} hexadecimal digits, "
            "as another unit of the network has them."
        )
        raise UseCaseError(message)
    write_secret(_path(store.folder), key)
    with store.transaction():
        store.keep_fact(_FACT, _ALLOWED)


def forbid_linkage(store: UnitStore) -> None:
    """Let no trait go to the hub any more; what stands there is taken back with the next round."""
    with store.transaction():
        store.keep_fact(_FACT, "forbidden")
        store.keep_fact(_NUMBERS_FACT, "")
    _path(store.folder).unlink(missing_ok=True)


def read_linkage_key(store: UnitStore) -> bytes | None:
    """Return the network's key where the unit allows linkage, else None; in a transaction.

    Raises
    ------
    StorageError
        The unit allows it and the key is gone or cannot be read.
    """
    if store.fact(_FACT) != _ALLOWED:
        return None
    path = _path(store.folder)
    if not path.exists():
        message = f"{path} is gone. Lay the network's key down again, or forbid linkage."
        raise StorageError(message)
    return read_secret(path, fewest=FEWEST_BYTES)


def say_national_numbers(store: UnitStore, country: str) -> None:
    """Say that the unit's patient numbers are the national numbers of a country.

    Parameters
    ----------
    country : str
        ISO 3166-1 alpha-2; "" takes it back, and what was told by it with the next round.

    Raises
    ------
    UseCaseError
        Linkage is not allowed here, or the country's numbers cannot be checked. Nothing is
        written.
    """
    if country and country not in SCHEMES:
        message = (
            f"National numbers of {country[:20]!r} cannot be checked here. Name the country of "
            f"your patient numbers, one of: {', '.join(sorted(SCHEMES))}."
        )
        raise UseCaseError(message)
    with store.transaction():
        if country and store.fact(_FACT) != _ALLOWED:
            raise UseCaseError("Linkage is not allowed here. Allow it first with --key-file FILE.")
        store.keep_fact(_NUMBERS_FACT, country)


def read_number_country(store: UnitStore) -> str:
    """Return of which country the patient numbers are the national ones, "" for none.

    Inside a transaction.
    """
    country = store.fact(_NUMBERS_FACT) or ""
    return country if country in SCHEMES else ""


def _path(folder: Path) -> Path:
    return folder / NETWORK_KEY_NAME
