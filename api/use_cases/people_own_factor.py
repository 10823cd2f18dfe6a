"""The second factor of who has a password alone: set up at the log-in, before anything else.

It is offered to who shows the password, and is kept once a code of it was shown, so that nobody is
shut out by a picture that no app has read. Until then the offer lies, sealed, with who asked.
Rule ids: SEC-19.
"""

import msgspec

from api.storage.access_log import Outcome
from api.storage.people_store import Account
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError, UnknownPersonError
from api.use_cases.people_accounts import (
    FACTOR_BY_OTHERS,
    note_account_act,
    note_session,
    role_that_counts,
)
from api.use_cases.people_passwords import LONGEST, is_password
from api.use_cases.people_second_factor import (
    SECRET_BYTES,
    find_step,
    open_offer,
    seal_offer,
    seal_secret,
    write_address,
)

NO_FACTOR = (
    "Every log-in takes a code too, and none is set here. Ask whoever keeps the server: "
    "crura staff totp."
)
SET_ONE_UP = (
    "Every log-in takes a code too, and you have no code app yet. Choose that you have none and "
    "set one up here."
)
# One sentence: that a second factor stands already would tell that the password is right.
_NOT_OFFERED = (
    "Log-in name or password is wrong, or you have a code app already. Check them; where the app "
    "is lost, ask whoever keeps the server: crura staff totp."
)
_OVER = "That key for a code app is over, or is none of here. Begin the log-in again."


class OfferedFactor(msgspec.Struct, frozen=True, kw_only=True):
    """A second factor to take up: to type, for an app to read, and what goes back with a code."""

    login: str
    secret: bytes
    address: str
    offer: str


def offer_second_factor(
    store: UnitStore, login: str, password: str, *, token: str, salt: str, now_ms: int
) -> OfferedFactor:
    """Offer a second factor to who has a password alone, and note it; nothing is kept of it.

    Parameters
    ----------
    token : str
        Fresh, 64 hexadecimal digits: the secret is drawn from it.
    salt : str
        Fresh, 32 hexadecimal digits.

    Raises
    ------
    UnknownPersonError
        Something is wrong, or a second factor is there; in one sentence whatever it was.
    NotAllowedError
        All is right, and this role gets its second factor from others alone.
    """
    login = login.strip().casefold()
    with store.transaction():
        account = store.people.find_by_login(login)
    # Takes a moment: outside the transaction.
    is_right = len(password) <= LONGEST and is_password(
        password, account.password if account else None
    )
    with store.transaction():
        account = store.people.find_by_login(login)
        refusal: Exception | None = None
        if account is None or not is_right or account.totp_sealed is not None:
            refusal = UnknownPersonError(_NOT_OFFERED)
        elif role_that_counts(store, account) in FACTOR_BY_OTHERS | {""}:
            refusal = NotAllowedError(NO_FACTOR)
        outcome: Outcome = "done"
        if refusal is not None:
            outcome = "refused" if isinstance(refusal, NotAllowedError) else "wrong"
        note_session(store, "offer-second-factor", account, at_ms=now_ms, outcome=outcome)
    if refusal is not None or account is None:
        raise refusal or UnknownPersonError(_NOT_OFFERED)
    secret = bytes.fromhex(token)[:SECRET_BYTES]
    return OfferedFactor(
        login=account.login,
        secret=secret,
        address=write_address(secret, account.login),
        offer=seal_offer(store.server_key, account.staff, secret, salt, now_ms=now_ms),
    )


def take_up_offer(
    store: UnitStore, account: Account, offer: str, code: str, *, now_ms: int
) -> bool:
    """Keep an offered second factor whose code is shown; say False where it is another's code.

    Call it inside a transaction, for an account that has none, whose password is right, and of a
    role that may set one up itself.

    Raises
    ------
    NotAllowedError
        The offer is over or none of here.
    """
    secret = open_offer(store.server_key, account.staff, offer, now_ms=now_ms)
    if secret is None:
        raise NotAllowedError(_OVER)
    step = find_step(secret, code, now_ms=now_ms)
    if step is None:
        return False
    # The number of the offer is fresh, and was used under another key.
    sealed = seal_secret(store.server_key, account.staff, secret, offer)
    store.people.set_totp(account.staff, sealed)
    store.people.use_step(account.staff, step)
    store.people.end_all(account.staff)
    note_account_act(store, "set-second-factor", account.staff, account.staff, now_ms)
    return True
