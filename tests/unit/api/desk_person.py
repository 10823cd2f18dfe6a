"""A person at the unit desk: an account with a second factor, and the headers of a browser."""

import functools
import hashlib
from typing import Any

from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id
from cryptography.hazmat.primitives.twofactor.totp import TOTP

from api.use_cases.people import add_person
from api.use_cases.people_accounts import set_second_factor
from api.use_cases.server_log import Chance

PASSWORD = "teal lantern over wet slate"
COOKIE = "__Host-crura"
OWN_PAGE = {"sec-fetch-site": "same-origin"}


def chance_of(unit) -> Chance:
    """Return what one act of the server draws."""
    environment = unit.environment
    return environment.draw_chance()


@functools.cache
def kept_cheaply(password: str) -> str:
    """Return a password as it is kept, with so little memory that hundreds of log-ins are quick.

    A check follows the parameters that stand in the text.
    """
    argon = Argon2id(salt=b"\0" * 16, length=32, iterations=1, lanes=1, memory_cost=64)
    return argon.derive_phc_encoded(password.encode())


class DeskPerson:
    """Somebody with an account; ``cookie`` is what the browser holds, "" before the log-in."""

    def __init__(self, unit, name: str = "Ida Norrwood", role: str = "unit-admin") -> None:
        self.unit = unit
        self.cookie = ""
        self.staff = add_person(unit.store, name, role, by="", chance=chance_of(unit))
        with unit.store.transaction():
            unit.store.people.set_password(self.staff, kept_cheaply(PASSWORD))
            account = unit.store.people.find_account(self.staff)
        assert account is not None
        self.login = account.login
        made = set_second_factor(
            unit.store,
            self.staff,
            token=hashlib.sha256(self.staff.encode()).hexdigest(),
            salt=unit.environment.new_salt(),
            now_ms=unit.environment.now_ms(),
        )
        self.secret = made.secret

    def code(self) -> str:
        """Return the code that the app of the person shows now."""
        seconds = self.unit.environment.now_ms() // 1_000
        return TOTP(self.secret, 6, SHA1(), 30).generate(seconds).decode()  # noqa: S303

    def log_in(self, **changed: Any) -> Any:
        """Log in, and keep the cookie where one came."""
        typed = {"login": self.login, "password": PASSWORD, "code": self.code(), **changed}
        answer = self.ask("POST", "/api/session", typed)
        cookie = answer.headers.get("set-cookie", "")
        if cookie:
            self.cookie = cookie.split(";")[0].partition("=")[2]
        return answer

    def ask(
        self,
        method: str,
        path: str,
        content: Any = None,
        *,
        cookie: str | None = None,
        headers: dict[str, str] | None = None,
    ) -> Any:
        """Send what a browser on our own page would."""
        sent = dict(OWN_PAGE if headers is None else headers)
        held = self.cookie if cookie is None else cookie
        if held:
            sent["cookie"] = f"{COOKIE}={held}"
        more = {} if content is None else {"json": content}
        # The client of the tests would keep the cookie too, and never send a secure one.
        self.unit.client.cookies.clear()
        return self.unit.client.request(method, path, headers=sent, **more)


def forget_factor(person: DeskPerson) -> None:
    """Leave somebody a password alone, as accounts were before every role had a second factor."""
    person.unit.store._database.connection.execute(
        "UPDATE person_account SET totp_sealed = NULL WHERE staff = ?", (person.staff,)
    )


def events(unit, thing: str) -> list[tuple[str, str, str]]:
    """Return verb, outcome and who of every access event about an object."""
    with unit.store.transaction():
        lines = list(unit.store.access.lines())
    return [(one.verb, one.outcome, one.who) for one in lines if one.object == thing]
