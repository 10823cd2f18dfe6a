"""Who keeps people and how: roles, those who leave, and one-time codes for tablets and log-ins."""

import base64
from urllib.parse import parse_qs, urlsplit

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP

from api.command_line import main
from api.storage.unit_store import open_unit_store
from api.use_cases import people_passwords
from sync.merge import shown_value
from tests.unit.api.desk_person import PASSWORD, DeskPerson, chance_of, events, kept_cheaply
from tests.unit.api.standing_unit import LOCAL_KEY, assert_problem

DAY_MS = 86_400_000
NEW = "amber kettle under dry birch"


@pytest.fixture
def ida(unit):
    person = DeskPerson(unit)
    person.log_in()
    return person


@pytest.fixture
def wren(ida):
    """An endoscopist without an account, who is to have a PIN on tablets."""
    return _add(ida, "Wren Alder", "endoscopist").json()["added"]


@pytest.fixture(autouse=True)
def _quick_for_nobody(monkeypatch):
    monkeypatch.setattr(people_passwords, "_nobodys_password", lambda: kept_cheaply("nobody"))


def _count(unit) -> int:
    with unit.store.transaction():
        return unit.store.operations.count()


def _shown(unit, record, field):
    with unit.store.transaction():
        return shown_value(unit.store.views.state_of(record).fields[field])


def _add(ida, name="Asa Fenwick", role="assistant", login=""):
    content = {"name": name, "role": role, "login": login}
    return ida.ask("POST", "/api/unit/staff", content)


def _change(ida, staff, change, role=""):
    content = {"staff": staff, "change": change, "role": role}
    return ida.ask("POST", "/api/unit/staff-changes", content)


def _code(ida, staff, opens="tablet"):
    return ida.ask("POST", "/api/staff-codes", {"staff": staff, "opens": opens})


def _redeem(unit, headers, code):
    return unit.client.post("/api/staff-codes/redeem", json={"code": code}, headers=headers)


def test_the_unit_admin_adds_a_person_and_the_record_says_who_did(unit, ida):
    answer = _add(ida)

    assert answer.status_code == 201, answer.text
    added = answer.json()["added"]
    row = next(one for one in answer.json()["people"] if one["staff"] == added)
    assert row == {
        "staff": added,
        "name": "Asa Fenwick",
        "role": "assistant",
        "is_active": True,
        "login": "asa.fenwick",
        "given_role": "assistant",
        "has_password": False,
        "has_second_factor": False,
        "sessions": 0,
    }
    with unit.store.transaction():
        held = unit.store.views.state_of(added).fields["name"].values[-1]
    assert held.by == ida.staff
    assert ("add", "done", ida.staff) in events(unit, "unit-staff")


@pytest.mark.parametrize(
    ("name", "role", "login", "part"),
    [
        ("", "assistant", "", "1 to 80"),
        ("x" * 81, "assistant", "", "1 to 80"),
        ("Asa Fenwick", "surgeon", "", "no role"),
        ("Asa Fenwick", "assistant", "a b", "no log-in name"),
        ("Asa Fenwick", "assistant", "ab", "no log-in name"),
        ("Asa Fenwick", "assistant", "Ida.Norrwood", "is taken"),
    ],
)
def test_what_cannot_be_added_writes_nothing(unit, ida, name, role, login, part):
    before = _count(unit)

    assert_problem(_add(ida, name, role, login), 403, part)
    assert _count(unit) == before


def test_two_people_of_one_name_log_in_under_two(unit, ida):
    logins = [_add(ida).json()["people"] for _ in range(2)][-1]

    assert sorted(one["login"] for one in logins if one["name"] == "Asa Fenwick") == [
        "asa.fenwick",
        "asa.fenwick.2",
    ]


@pytest.mark.parametrize("name", ["李 明", "Ø", "..."])
def test_a_name_without_latin_letters_gets_a_log_in_name_too(unit, ida, name):
    answer = _add(ida, name)

    assert answer.status_code == 201
    assert all(3 <= len(one["login"]) <= 40 for one in answer.json()["people"])


@pytest.mark.parametrize(
    "role",
    ["endoscopist", "assistant", "anaesthetist", "booking", "data-manager", "auditor", "training"],
)
def test_nobody_but_the_unit_admin_keeps_people_or_devices(unit, role):
    """[SEC-21] Each role of a session, each act; nothing is written."""
    person = DeskPerson(unit, "Pell Thistlewood", role)
    assert person.log_in().status_code == 201
    before = _count(unit)

    for answer in (
        person.ask("GET", "/api/unit/staff"),
        _add(person),
        _change(person, person.staff, "role", "unit-admin"),
        _code(person, person.staff),
        person.ask("GET", "/api/unit-devices"),
        person.ask("POST", "/api/invitations", {"role": "bedside"}),
        person.ask("POST", "/api/confirmations", {"device": "d", "fingerprint": "000000"}),
        person.ask("POST", "/api/revocations", {"device": "d"}),
    ):
        assert_problem(answer, 403, "unit admin")
    assert _count(unit) == before


def test_nobody_at_all_keeps_people(unit, ida, a):
    for headers in ({}, a):
        for method, path in (("GET", "/api/unit/staff"), ("POST", "/api/staff-codes")):
            answer = unit.client.request(method, path, headers=headers)
            assert answer.status_code in (401, 403), path


def test_a_role_is_given_and_a_conflict_of_the_record_settled_by_it(unit, ida):
    staff = _add(ida).json()["added"]

    answer = _change(ida, staff, "role", "endoscopist")

    assert answer.status_code == 201
    assert _shown(unit, staff, "role") == "endoscopist"
    assert_problem(_change(ida, staff, "role", "surgeon"), 403, "no role")
    assert_problem(_change(ida, "staff/nobody", "role", "auditor"), 403, "crura staff list")


def test_who_has_left_may_come_back_and_needs_a_role_anew(unit, ida):
    staff = _add(ida).json()["added"]

    left = _change(ida, staff, "leave").json()["people"]
    assert [(one["is_active"], one["login"]) for one in left if one["staff"] == staff] == [
        (False, "")
    ]
    assert_problem(_code(ida, staff), 403, "no active member")
    _change(ida, staff, "return")
    assert _shown(unit, staff, "active") is True
    assert_problem(_change(ida, staff, "end-log-ins"), 403, "crura staff role")
    _change(ida, staff, "role", "assistant")
    assert _code(ida, staff).status_code == 201


@pytest.mark.parametrize(("change", "role"), [("leave", ""), ("role", "auditor")])
def test_the_last_unit_admin_stays(unit, ida, change, role):
    """Planted bug: without `_refuse_last_admin` the unit had nobody who lets others in."""
    _add(ida, "Second Admin", "unit-admin")

    # The second one has no password: nobody could log in.
    assert_problem(_change(ida, ida.staff, change, role), 403, "last unit admin")
    DeskPerson(unit, "Third Admin", "unit-admin")
    assert _change(ida, ida.staff, change, role).status_code == 201


def test_the_unit_admin_ends_the_log_ins_of_another(unit, ida):
    """[ASVS 7.4.5]"""
    pell = DeskPerson(unit, "Pell Thistlewood", "data-manager")
    pell.log_in()

    rows = _change(ida, pell.staff, "end-log-ins").json()["people"]

    assert [one["sessions"] for one in rows if one["staff"] == pell.staff] == [0]
    assert pell.ask("GET", "/api/session").status_code == 401


def test_a_code_lets_its_person_onto_one_tablet(unit, ida, wren, a, b):
    made = _code(ida, wren).json()

    answer = _redeem(unit, a, f" {made['code'].lower()} ")

    assert answer.status_code == 201, answer.text
    assert answer.json() == {"staff": wren, "name": "Wren Alder", "role": "endoscopist"}
    assert made["expires_ms"] == unit.environment.now_ms() + DAY_MS
    assert_problem(_redeem(unit, b, made["code"]), 403, "was used")
    assert ("redeem", "done", "tablet-a") in events(unit, "staff-codes")


@pytest.mark.parametrize(("off", "is_good"), [(-1, True), (0, False), (1, False)])
def test_a_code_is_over_after_a_day(unit, ida, wren, a, off, is_good):
    """Planted bug: with >= in `find_code`, the middle row was taken."""
    code = _code(ida, wren).json()["code"]
    unit.environment.moved["ms"] += DAY_MS + off

    assert (_redeem(unit, a, code).status_code == 201) == is_good


def test_a_new_code_ends_the_one_before(unit, ida, wren, a):
    first, second = (_code(ida, wren).json()["code"] for _ in range(2))

    assert_problem(_redeem(unit, a, first), 403)
    assert _redeem(unit, a, second).status_code == 201


def test_a_code_of_one_purpose_opens_nothing_else(unit, ida, wren, a):
    """Planted bug: without `opens` in `find_code`, the code of a tablet reset the log-in."""
    tablet = _code(ida, wren).json()["code"]
    log_in = _code(ida, _add(ida).json()["added"], "log-in").json()["code"]

    assert_problem(_redeem(unit, a, log_in), 403)
    content = {"code": tablet, "password": NEW}
    assert_problem(ida.ask("POST", "/api/session-first", content), 403, "was used")


def test_who_reads_nothing_of_care_gets_no_pin_at_the_bedside(unit, ida, a):
    """[SEC-22] Caught: a booking person was let onto a tablet that shows every finding."""
    staff = _add(ida, "Cass Reed", "booking").json()["added"]
    code = _code(ida, staff).json()["code"]

    assert_problem(_redeem(unit, a, code), 403, "booking")
    with unit.store.transaction():
        assert unit.store.people.find_code(code, opens="tablet", now_ms=unit.environment.now_ms())


def test_the_code_of_who_has_left_opens_nothing(unit, ida, a):
    staff = _add(ida).json()["added"]
    code = _code(ida, staff).json()["code"]
    _change(ida, staff, "leave")

    assert_problem(_redeem(unit, a, code), 403)


def test_wrong_codes_are_counted(unit, ida, wren, a):
    """[SEC-06]"""
    for number in range(3):
        assert_problem(_redeem(unit, a, f"WRONG-{number}"), 403)

    assert _redeem(unit, a, _code(ida, wren).json()["code"]).status_code == 429


def test_no_code_is_stored(unit, ida, wren, tmp_path):
    """[ASVS 6.5.2] Its digest alone; a code has 79 random bits, so that no slow hash is needed."""
    code = _code(ida, wren).json()["code"]
    unit.store.copy_to(tmp_path / "copy")

    assert code.encode() not in (tmp_path / "copy").read_bytes()


def test_a_first_log_in_sets_password_and_second_factor_in_one(unit, ida):
    """[ASVS 6.4.1] [ASVS 6.4.6] The unit admin never knows the password; the code is good once."""
    pell = DeskPerson(unit, "Pell Thistlewood", "data-manager")
    with unit.store.transaction():
        unit.store.people.forget_password(pell.staff)
    code = _code(ida, pell.staff, "log-in").json()["code"]
    browser = _browser(unit)

    def first(password):
        return browser.ask("POST", "/api/session-first", {"code": code, "password": password})

    assert_problem(first("Password1234!"), 403, "first that are guessed")
    made = first(NEW)
    assert made.status_code == 201, made.text
    told = made.json()
    secret = parse_qs(urlsplit(told["address"]).query)["secret"][0]
    assert (told["login"], told["secret"].replace(" ", "")) == ("pell.thistlewood", secret)
    assert_problem(first(NEW), 403, "was used")
    by_pell = [what for what, _, who in events(unit, "unit-staff") if who == pell.staff]
    assert by_pell == ["set-password", "set-second-factor"]

    unit.environment.moved["ms"] += 30_000
    seconds = unit.environment.now_ms() // 1_000
    shown = TOTP(base64.b32decode(secret), 6, SHA1(), 30).generate(seconds).decode()  # noqa: S303
    assert_problem(pell.log_in(), 401)
    typed = {"login": told["login"], "password": NEW, "code": shown}
    assert browser.ask("POST", "/api/session", typed).json()["role"] == "data-manager"


def _browser(unit):
    browser = DeskPerson.__new__(DeskPerson)
    browser.unit, browser.cookie = unit, ""
    return browser


def test_no_unit_admin_takes_over_the_log_in_of_somebody_else(unit, ida):
    """[ASVS 6.4.6] The planted bug it has caught: a code set another password over the old one."""
    pell = DeskPerson(unit, "Pell Thistlewood", "data-manager")
    assert_problem(_code(ida, pell.staff, "log-in"), 403, "has a password already", "--log-in")

    # One that was made before there was a password opens nothing either.
    with unit.store.transaction():
        unit.store.people.keep_code("EARLY", pell.staff, "log-in", expires_ms=2**50)
    content = {"code": "EARLY", "password": NEW}
    answer = _browser(unit).ask("POST", "/api/session-first", content)
    assert_problem(answer, 403, "has a password already")
    assert pell.log_in().status_code == 201


def test_the_server_starts_a_log_in_anew_and_says_so(unit, ida):
    """[ASVS 6.4.1]"""
    pell = DeskPerson(unit, "Pell Thistlewood", "data-manager")
    pell.log_in()
    by_key = {"authorization": f"Bearer {LOCAL_KEY}"}
    content = {"staff": pell.staff, "opens": "log-in"}
    code = unit.client.post("/api/staff-codes", json=content, headers=by_key).json()["code"]

    assert pell.ask("GET", "/api/session").status_code == 401
    assert ("reset-password", "done", "") in events(unit, "unit-staff")
    made = _browser(unit).ask("POST", "/api/session-first", {"code": code, "password": NEW})
    assert made.status_code == 201, made.text


def test_passwords_are_set_by_the_server_alone(unit, ida):
    content = {"staff": ida.staff, "password": NEW}

    assert ida.ask("POST", "/api/unit/log-ins", content).status_code == 403
    by_key = {"authorization": f"Bearer {LOCAL_KEY}"}
    answer = unit.client.post("/api/unit/log-ins", json=content, headers=by_key)
    assert (answer.status_code, answer.json()["login"]) == (201, "ida.norrwood")
    assert ida.ask("GET", "/api/session").status_code == 401


def _run(*arguments, typed=None):
    found = CliRunner().invoke(main, list(arguments), input=typed)
    return found.exit_code, found.output


def test_the_first_account_is_made_at_the_server(tmp_path):
    """[ASVS 6.3.2] There is no default account; a password never stands in a command."""
    folder = ("--data", str(tmp_path))
    code, told = _run("staff", "add", "--name", "Ida Norrwood", "--role", "unit-admin", *folder)
    assert code == 0, told
    staff = told.split()[-1].rstrip(".")

    code, told = _run("staff", "password", staff, *folder, typed=f"{PASSWORD}\n{PASSWORD}\n")
    assert (code, "logs in as ida.norrwood" in told, PASSWORD in told) == (0, True, False)
    code, told = _run("staff", "password", staff, *folder, typed="short\nshort\n")
    assert (code, "at least 12" in told) == (2, True)
    (tmp_path / "typed").write_text(f"{NEW}\n")
    code, told = _run("staff", "password", staff, "--from-file", str(tmp_path / "typed"), *folder)
    assert code == 0
    code, told = _run("staff", "totp", staff, *folder)
    assert (code, "Key: " in told) == (0, True)
    code, told = _run("staff", "list", *folder)
    assert "unit-admin  logs in as ida.norrwood with a code" in told
    code, told = _run("staff", "code", staff, *folder)
    assert (code, "on one tablet" in told) == (0, True)
    code, told = _run("staff", "leave", staff, *folder)
    assert (code, "last unit admin" in told) == (2, True)
    code, told = _run("staff", "end-sessions", staff, *folder)
    assert (code, "has ended" in told) == (0, True)
    code, told = _run("staff", "role", "staff/nobody", "auditor", *folder)
    assert (code, "crura staff list" in told) == (2, True)

    store = open_unit_store(tmp_path, new_generation="g")
    with store.transaction():
        assert [one.login for one in store.people.accounts()] == ["ida.norrwood"]
    store.close()


def test_a_person_of_a_tablet_has_no_account_until_a_role_is_given(unit, ida):
    """Only the unit gives roles: a record alone takes no password."""
    from api.use_cases.add_staff import add_staff

    staff = add_staff(unit.store, "Otis Bramblewick", "unit-admin", chance=chance_of(unit))
    code = _code(ida, staff, "log-in").json()["code"]
    content = {"code": code, "password": NEW}

    assert_problem(ida.ask("POST", "/api/session-first", content), 403, "crura staff role")


def test_what_is_done_to_devices_is_noted_with_who_did_it(unit, ida):
    unit.join("tablet-x")

    assert ida.ask("POST", "/api/invitations", {"role": "booking"}).status_code == 201
    assert ida.ask("POST", "/api/revocations", {"device": "tablet-x"}).status_code == 201
    assert_problem(ida.ask("POST", "/api/revocations", {"device": "tablet-x"}), 403, "before")

    assert events(unit, "unit-devices") == [
        ("invite", "done", ida.staff),
        ("revoke", "done", ida.staff),
    ]


def test_a_person_makes_no_invitation_that_waits_for_nobody(unit, ida):
    """[SEC-05] Only a command at the server is trusted to skip the six digits."""
    asked = {"role": "bedside", "is_trusted": True}
    code = ida.ask("POST", "/api/invitations", asked).json()["code"]

    with unit.store.transaction():
        row = unit.store._database.connection.execute(
            "SELECT count(*) FROM invitation WHERE is_trusted = 1 AND used_ms IS NULL"
        ).fetchone()
    assert code
    assert row == (0,)
