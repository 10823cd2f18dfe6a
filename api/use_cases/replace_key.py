"""Puts a new signing key in the place of the unit server's, with everything that hangs on it.

What the former key signed stays valid, and it goes on opening what was sealed for it: it is kept
beside the new one. Rule ids: SEC-33, SG7.
"""

from collections.abc import Callable
from pathlib import Path

import msgspec

from api.storage.access_log import sign_last_line
from api.storage.server_key import replace_server_key
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.people_second_factor import open_secret, seal_secret
from api.use_cases.registry_log import begin_epoch
from api.use_cases.registry_log import epoch_fact as registry_epoch_fact
from api.use_cases.server_log import epoch_fact
from api.use_cases.server_role import is_hub
from api.use_cases.told_keys import note_all_told


class ReplacedKey(msgspec.Struct, frozen=True, kw_only=True):
    """The ids of both keys, and how many second factors were sealed anew.

    ``is_in_network`` says that its hub knows the unit by the former key, until it joins again.
    """

    former: str
    present: str
    second_factors: int
    is_in_network: bool


def rotate_server_key(
    store: UnitStore,
    folder: Path,
    *,
    new_epoch: str,
    draw_salt: Callable[[], str],
    now_ms: int,
) -> ReplacedKey:
    """Replace the key of a unit whose server is stopped; the store is open and goes on under it.

    A cut at any place leaves a unit that works: the log begins anew before the key is replaced,
    and what lay under the former key opens with it until it was sealed anew.

    Parameters
    ----------
    new_epoch : str
        Begins the server's own logs anew: one key signs one epoch to its end (SG8).
    draw_salt : callable
        Asked for each second factor; fresh, 32 hexadecimal digits.

    Raises
    ------
    NotAllowedError
        A hub, or a store whose seal broke. Nothing is written.
    """
    former = store.server_key.key_id
    with store.transaction():
        _refuse(store)
        note_all_told(store)
        store.keep_fact(epoch_fact(store.fact("generation") or ""), new_epoch)
        is_in_network = store.hub_line.find() is not None
        if is_in_network or store.fact(registry_epoch_fact(store, ())) is not None:
            # Towards the network it signs by a key that hangs on this one.
            begin_epoch(store, new_epoch=new_epoch)
        note_access(
            store,
            AccessEvent(at_ms=now_ms, asker="machine", verb="rotate-key", object="server-key"),
        )
        sign_last_line(store.access, store.server_key)
    store.server_key = replace_server_key(folder, store.server_key)
    with store.transaction():
        count = _seal_factors_anew(store, draw_salt)
    return ReplacedKey(
        former=former,
        present=store.server_key.key_id,
        second_factors=count,
        is_in_network=is_in_network,
    )


def _refuse(store: UnitStore) -> None:
    if is_hub(store) or store.is_shared:
        raise NotAllowedError(
            "The units of a network know this hub by its key, and would have to join anew. It is "
            "not replaced; where it was copied, set up a new hub."
        )
    if store.broken_seal() is not None:
        raise NotAllowedError(
            "This store was changed while it was closed. See crura verify, and put a backup back "
            "before the key is replaced."
        )


def _seal_factors_anew(store: UnitStore, draw_salt: Callable[[], str]) -> int:
    count = 0
    for account in store.people.accounts():
        secret = (
            open_secret(store.server_key, account.staff, account.totp_sealed)
            if account.totp_sealed is not None
            else None
        )
        if secret is not None:
            sealed = seal_secret(store.server_key, account.staff, secret, draw_salt())
            store.people.reseal_totp(account.staff, sealed)
            count += 1
    return count
