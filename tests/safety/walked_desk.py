"""The walk of the canaries: people of the desk who log in, are kept, and look at what is theirs."""

from typing import Any

from tests.safety.asked_requests import MACHINE, PUBLIC, Asker, Asking
from tests.safety.planted_secrets import Secrets
from tests.unit.api.desk_person import OWN_PAGE, PASSWORD, DeskPerson

ROLES = (
    *("endoscopist", "assistant", "anaesthetist", "booking"),
    *("data-manager", "unit-admin", "auditor", "training"),
)
ON_OWN_PAGE = Asker(PUBLIC.name, OWN_PAGE)


def log_everybody_in(asking: Asking, secrets: Secrets) -> dict[str, Asker]:
    """Log a person of every role in, with password and code."""
    secrets.tell("password", PASSWORD)
    people = {}
    for role in ROLES:
        person = DeskPerson(asking.unit, secrets.draw(f"name of a {role}"), role)
        people[role] = asking.log_in(person, role)
        secrets.tell("second factor", person.secret.hex())
        secrets.tell("cookie", people[role].headers["cookie"].partition("=")[2])
    return people


def keep_people(asking: Asking, admin: Asker, tablet: Asker | None, secrets: Secrets) -> None:
    """Add somebody, give codes, let them on a tablet and to a first log-in, and let them go."""
    new = {"name": secrets.draw("name of somebody new"), "role": "assistant"}
    added = asking.done(admin, "POST /api/unit/staff", json=new)["added"]
    asking.ask(admin, "GET /api/unit/staff")
    code = _code(asking, admin, secrets, added, "log-in")
    password = f"{secrets.draw('first password')} at low tide"
    first = {"code": code, "password": password}
    made = asking.done(ON_OWN_PAGE, "POST /api/session-first", json=first)
    secrets.tell("second factor", made["secret"], made["address"])
    if tablet is not None:
        code = _code(asking, admin, secrets, added, "tablet")
        asking.ask(tablet, "POST /api/staff-codes/redeem", json={"code": code})
    for given in ({"password": f"{secrets.draw('password at the server')} at noon"}, {}):
        asking.ask(MACHINE, "POST /api/unit/log-ins", json={"staff": added, **given})
    other = {"name": secrets.draw("name of who has no code app"), "role": "assistant"}
    _offer_factor(asking, secrets, asking.done(admin, "POST /api/unit/staff", json=other))
    for change in ({"change": "role", "role": "booking"}, {"change": "end-log-ins"}):
        asking.ask(admin, "POST /api/unit/staff-changes", json={"staff": added, **change})
    asking.ask(admin, "POST /api/unit/staff-changes", json={"staff": added, "change": "leave"})


def _code(asking: Asking, admin: Asker, secrets: Secrets, staff: str, opens: str) -> str:
    content = {"staff": staff, "opens": opens}
    code: str = asking.done(admin, "POST /api/staff-codes", json=content)["code"]
    secrets.tell("one-time code", code)
    return code


def _offer_factor(asking: Asking, secrets: Secrets, told: dict[str, Any]) -> None:
    """Let somebody with a password alone ask for a second factor."""
    password = f"{secrets.draw('password without a code app')} at dusk"
    content = {"staff": told["added"], "password": password}
    login = asking.done(MACHINE, "POST /api/unit/log-ins", json=content)["login"]
    asked = {"login": login, "password": password}
    offered = asking.done(ON_OWN_PAGE, "POST /api/session-factor", json=asked)
    secrets.tell("offered second factor", offered["secret"], offered["offer"])


def use_own_session(asking: Asking, secrets: Secrets) -> None:
    """See the own log-ins, choose another password, end the others, and log out."""
    person = DeskPerson(asking.unit, secrets.draw("name of who changes"), "unit-admin")
    password = f"{secrets.draw('new password')} beside the mill"
    who = asking.log_in(person, "unit-admin")
    for route in ("GET /api/session", "GET /api/sessions"):
        asking.ask(who, route)
    changed = {"password": PASSWORD, "new_password": password, "code": _next_code(person)}
    asking.ask(who, "POST /api/session-password", json=changed)
    _next_code(person)
    who = asking.log_in(person, "unit-admin", password)
    asking.ask(who, "POST /api/session-ends", json={"password": password})
    asking.ask(who, "DELETE /api/session")


def _next_code(person: DeskPerson) -> str:
    # Each code is good once.
    person.unit.environment.moved["ms"] += 31_000
    return person.code()


def search_access(asking: Asking, people: dict[str, Asker], patient: str) -> None:
    """Search who looked at a patient."""
    for role in ("auditor", "data-manager"):
        asking.ask(people[role], "GET /api/access-events", params={"patient": patient})
        asking.ask(people[role], "GET /api/access-head")
