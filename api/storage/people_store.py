"""Accounts, sessions and one-time codes of people; secrets are kept as digests or sealed."""

from typing import Literal

import msgspec

from api.storage.any_connection import Connection
from api.storage.device_store import digest_secret

# What a one-time code opens: a place on a tablet, or the first log-in at the server.
Opens = Literal["tablet", "log-in"]


class Account(msgspec.Struct, frozen=True, kw_only=True):
    """What lets one person log in at the server.

    Parameters
    ----------
    staff : str
        The person, ``staff/<id>``.
    role : str
        The role that the unit gave; what a tablet writes into the record cannot raise it.
    password : str or None
        Argon2id as a PHC string; None until one was set.
    totp_sealed : bytes or None
        Secret of the second factor, encrypted; None until one was set.
    totp_last_step : int
        The last step whose code was used; no code of it or of an earlier one is good again.
    """

    staff: str
    login: str
    role: str
    password: str | None
    totp_sealed: bytes | None
    totp_last_step: int


class PersonSession(msgspec.Struct, frozen=True, kw_only=True):
    """One log-in that lasts. ``digest`` is SHA-256 of its token; times are wall milliseconds."""

    digest: str
    staff: str
    with_code: bool
    began_ms: int
    used_ms: int


_ACCOUNT = "SELECT staff, login, role, password, totp_sealed, totp_last_step FROM person_account"
_SESSION = "SELECT token_sha256, staff, with_code, began_ms, used_ms FROM person_session"


class PeopleStore:
    """Accounts, sessions and codes in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep_account(self, staff: str, login: str, role: str, *, made_ms: int) -> None:
        """Keep an account; one that is there gets the log-in name and role, secrets stay."""
        self._connection.execute(
            "INSERT INTO person_account (staff, login, role, made_ms) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (staff) DO UPDATE SET login = excluded.login, role = excluded.role",
            (staff, login, role, made_ms),
        )

    def find_account(self, staff: str) -> Account | None:
        """Return the account of a person, None without one."""
        return self._account("staff = ?", staff)

    def find_by_login(self, login: str) -> Account | None:
        """Return the account of a log-in name, None without one."""
        return self._account("login = ?", login)

    def accounts(self) -> list[Account]:
        """Return every account, by person."""
        rows = self._connection.execute(f"{_ACCOUNT} ORDER BY staff").fetchall()
        return [_account_of(row) for row in rows]

    def set_password(self, staff: str, password: str) -> None:
        """Keep a password as its PHC string."""
        self._connection.execute(
            "UPDATE person_account SET password = ? WHERE staff = ?", (password, staff)
        )

    def forget_password(self, staff: str) -> None:
        """Take the password of a person away: a first log-in may set one anew."""
        self._connection.execute(
            "UPDATE person_account SET password = NULL WHERE staff = ?", (staff,)
        )

    def set_totp(self, staff: str, sealed: bytes) -> None:
        """Keep a new second factor; no code of it was used yet."""
        self._connection.execute(
            "UPDATE person_account SET totp_sealed = ?, totp_last_step = 0 WHERE staff = ?",
            (sealed, staff),
        )

    def reseal_totp(self, staff: str, sealed: bytes) -> None:
        """Keep the same second factor under another seal: codes that were used stay used."""
        self._connection.execute(
            "UPDATE person_account SET totp_sealed = ? WHERE staff = ?", (sealed, staff)
        )

    def use_step(self, staff: str, step: int) -> bool:
        """Use the code of a step up; say False where it or a later one was used before."""
        changed = self._connection.execute(
            "UPDATE person_account SET totp_last_step = ? WHERE staff = ? AND totp_last_step < ?",
            (step, staff, step),
        )
        return changed.rowcount > 0

    def close_account(self, staff: str) -> None:
        """Remove an account with its secrets, sessions and unused codes."""
        self._connection.execute("DELETE FROM person_account WHERE staff = ?", (staff,))
        self._connection.execute("DELETE FROM staff_code WHERE staff = ?", (staff,))
        self.end_all(staff)

    def begin_session(self, token: str, staff: str, *, with_code: bool, now_ms: int) -> None:
        """Keep a new session."""
        self._connection.execute(
            "INSERT INTO person_session VALUES (?, ?, ?, ?, ?)",
            (digest_secret(token), staff, with_code, now_ms, now_ms),
        )

    def find_session(self, token: str) -> PersonSession | None:
        """Return the session of a token, also one that is over; None when there is none."""
        row = self._connection.execute(
            f"{_SESSION} WHERE token_sha256 = ?", (digest_secret(token),)
        ).fetchone()
        return _session_of(row) if row else None

    def sessions_of(self, staff: str) -> list[PersonSession]:
        """Return the sessions of a person, the latest first."""
        rows = self._connection.execute(
            f"{_SESSION} WHERE staff = ? ORDER BY began_ms DESC, token_sha256", (staff,)
        ).fetchall()
        return [_session_of(row) for row in rows]

    def note_used(self, digest: str, *, now_ms: int) -> None:
        """Keep that a session was used now."""
        self._connection.execute(
            "UPDATE person_session SET used_ms = ? WHERE token_sha256 = ?", (now_ms, digest)
        )

    def end_session(self, digest: str) -> None:
        """End one session."""
        self._connection.execute("DELETE FROM person_session WHERE token_sha256 = ?", (digest,))

    def end_all(self, staff: str, *, but: str = "") -> int:
        """End the sessions of a person, but the one of a digest; say how many."""
        return self._connection.execute(
            "DELETE FROM person_session WHERE staff = ? AND token_sha256 <> ?", (staff, but)
        ).rowcount

    def end_over(self, *, used_before_ms: int, began_before_ms: int) -> None:
        """End every session that was not used since one moment or began before another."""
        self._connection.execute(
            "DELETE FROM person_session WHERE used_ms <= ? OR began_ms <= ?",
            (used_before_ms, began_before_ms),
        )

    def keep_code(self, code: str, staff: str, opens: Opens, *, expires_ms: int) -> None:
        """Keep a one-time code; a former one for the same, if unused, is good no more."""
        self._connection.execute(
            "DELETE FROM staff_code WHERE staff = ? AND opens = ? AND used_ms IS NULL",
            (staff, opens),
        )
        self._connection.execute(
            "INSERT INTO staff_code VALUES (?, ?, ?, ?, NULL, NULL)",
            (digest_secret(code), staff, opens, expires_ms),
        )

    def find_code(self, code: str, opens: Opens, *, now_ms: int) -> str | None:
        """Return whose code it is; None when it is unknown, for something else, used or over."""
        row = self._connection.execute(
            "SELECT staff FROM staff_code"
            " WHERE code_sha256 = ? AND opens = ? AND used_ms IS NULL AND expires_ms > ?",
            (digest_secret(code), opens, now_ms),
        ).fetchone()
        return str(row[0]) if row else None

    def use_code(self, code: str, *, on: str, now_ms: int) -> None:
        """Use a code up; ``on`` is the device that showed it, "" for the unit desk."""
        self._connection.execute(
            "UPDATE staff_code SET used_ms = ?, used_on = ? WHERE code_sha256 = ?",
            (now_ms, on, digest_secret(code)),
        )

    def _account(self, clause: str, value: str) -> Account | None:
        row = self._connection.execute(f"{_ACCOUNT} WHERE {clause}", (value,)).fetchone()
        return _account_of(row) if row else None


def _account_of(row: tuple[str, str, str, str | None, bytes | None, int]) -> Account:
    staff, login, role, password, totp_sealed, totp_last_step = row
    return Account(
        staff=staff,
        login=login,
        role=role,
        password=password,
        totp_sealed=totp_sealed,
        totp_last_step=totp_last_step,
    )


def _session_of(row: tuple[str, str, int, int, int]) -> PersonSession:
    digest, staff, with_code, began_ms, used_ms = row
    return PersonSession(
        digest=digest,
        staff=staff,
        with_code=bool(with_code),
        began_ms=began_ms,
        used_ms=used_ms,
    )
