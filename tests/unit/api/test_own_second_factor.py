"""Who has a password alone sets a second factor up at the log-in, before anything else."""

import base64

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP

from api.use_cases import people_passwords
from api.use_cases.people import change_role, let_go
from api.use_cases.people_second_factor import OFFER_MS
from tests.unit.api.desk_person import (
    PASSWORD,
    DeskPerson,
    chance_of,
    events,
    forget_factor,
    kept_cheaply,
)
from tests.unit.api.standing_unit import assert_problem

NOT_OFFERED = "or you have a code app already"


@pytest.fixture
def wren(unit):
    """An endoscopist who has had a password alone."""
    person = DeskPerson(unit, "Wren Alder", "endoscopist")
    forget_factor(person)
    return person


@pytest.fixture(autouse=True)
def _quick_for_nobody(monkeypatch):
    monkeypatch.setattr(people_passwords, "_nobodys_password", lambda: kept_cheaply("nobody"))


def _ask(person, **changed):
    typed = {"login": person.login, "password": PASSWORD, **changed}
    return person.ask("POST", "/api/session-factor", typed)


def _code(unit, told):
    secret = base64.b32decode(told["secret"].replace(" ", ""))
    seconds = unit.environment.now_ms() // 1_000
    return TOTP(secret, 6, SHA1(), 30).generate(seconds).decode()  # noqa: S303


def _kept(unit, person):
    return unit.store.people.find_account(person.staff).totp_sealed


def test_an_endoscopist_with_a_password_alone_sets_one_up_and_is_in(unit, wren):
    """[SEC-19] Kept once its code was shown; after that the code is asked for like everybody's."""
    assert_problem(wren.log_in(code=""), 403, "set one up")
    offered = _ask(wren)
    assert offered.status_code == 201, offered.text
    told = offered.json()
    assert told["login"] == "wren.alder"
    assert told["address"].startswith("otpauth://totp/")
    assert _kept(unit, wren) is None

    shown = _code(unit, told)
    answer = wren.log_in(code=shown, offer=told["offer"])

    assert answer.status_code == 201, answer.text
    assert wren.ask("GET", "/api/session").json()["role"] == "endoscopist"
    secret = base64.b32decode(told["secret"].replace(" ", ""))
    assert _kept(unit, wren) is not None
    assert secret not in _kept(unit, wren)
    assert ("set-second-factor", "done", wren.staff) in events(unit, "unit-staff")
    noted = [one[0] for one in events(unit, "session")]
    assert noted == ["log-in", "offer-second-factor", "log-in"]
    # The same code is not good twice, and the password alone not at all.
    assert wren.log_in(code=shown, offer=told["offer"]).status_code == 401
    unit.environment.moved["ms"] += 60_000
    assert wren.log_in(code="").status_code == 401
    assert wren.log_in(code=_code(unit, told)).status_code == 201


@pytest.mark.parametrize("code", ["", "000000", "12345a"])
def test_nothing_is_kept_until_a_code_of_it_is_shown(unit, wren, code):
    """Whoever closes the page before an app has read the picture begins again."""
    told = _ask(wren).json()

    assert wren.log_in(code=code, offer=told["offer"]).status_code == 401
    assert wren.cookie == ""
    assert _kept(unit, wren) is None
    unit.environment.moved["ms"] += 60_000
    again = _ask(wren).json()
    assert wren.log_in(code=_code(unit, again), offer=again["offer"]).status_code == 201


@pytest.mark.parametrize(("off", "is_good"), [(-1, True), (0, False), (1, False)])
def test_an_offer_is_over_after_ten_minutes(unit, wren, off, is_good):
    """Planted bug: with < for <=, the middle row was red."""
    told = _ask(wren).json()
    unit.environment.moved["ms"] += OFFER_MS + off
    answer = wren.log_in(code=_code(unit, told), offer=told["offer"])

    assert answer.status_code == (201 if is_good else 403), answer.text
    assert (_kept(unit, wren) is not None) == is_good


def test_an_offer_is_for_its_person_alone(unit, wren):
    """Planted bug: bound to nobody, one person chose the code app of another."""
    asa = DeskPerson(unit, "Asa Fenwick", "assistant")
    forget_factor(asa)
    told = _ask(asa).json()

    assert_problem(wren.log_in(code=_code(unit, told), offer=told["offer"]), 403, "none of here")
    assert _kept(unit, wren) is None


@pytest.mark.parametrize("offer", ["zz", "00", "é", "0" * 96, "ab" * 40])
def test_what_is_no_offer_of_here_is_refused(unit, wren, offer):
    assert_problem(wren.log_in(code="123456", offer=offer), 403, "none of here")


def test_what_is_kept_of_a_second_factor_is_no_offer(unit):
    """A copy of the store opens no account whose second factor was taken away."""
    asa = DeskPerson(unit, "Asa Fenwick", "assistant")
    sealed = _kept(unit, asa).hex()
    forget_factor(asa)

    assert_problem(asa.log_in(offer=sealed), 403, "none of here")


@pytest.mark.parametrize("role", ["unit-admin", "data-manager", "auditor"])
def test_who_sees_more_than_a_tablet_gets_one_from_others(unit, role):
    """[SEC-19] A password that somebody learnt opens none of these accounts.

    Planted bug: asked at the offer alone, a role given while the offer stood took it up.
    """
    pell = DeskPerson(unit, "Pell Thistlewood", "assistant")
    forget_factor(pell)
    told = _ask(pell).json()
    change_role(unit.store, pell.staff, role, by="", chance=chance_of(unit))

    assert_problem(_ask(pell), 403, "crura staff totp")
    answer = pell.log_in(code=_code(unit, told), offer=told["offer"])
    assert_problem(answer, 403, "crura staff totp")
    assert _kept(unit, pell) is None


@pytest.mark.parametrize("changed", [{"login": "nobody"}, {"password": "x"}, {"password": ""}])
def test_whatever_is_wrong_the_answer_is_one(unit, wren, changed):
    """[ASVS 6.3.8] Also where a code app stands already: else a password could be tried out."""
    assert_problem(_ask(wren, **changed), 401, NOT_OFFERED)
    has_one = DeskPerson(unit, "Asa Fenwick", "assistant")
    assert_problem(_ask(has_one), 401, NOT_OFFERED)
    assert [one[1] for one in events(unit, "session")] == ["wrong", "wrong"]


def test_who_has_left_is_offered_none(unit, wren):
    DeskPerson(unit)
    let_go(unit.store, wren.staff, by="", chance=chance_of(unit))

    assert_problem(_ask(wren), 401, NOT_OFFERED)


def test_asking_for_one_counts_as_a_try(unit, wren):
    """[SEC-06] Planted bug: uncounted, passwords could be tried out here without a limit."""
    for _ in range(5):
        assert _ask(wren, password="guessed").status_code == 401

    assert_problem(_ask(wren), 429, "Wait")
    assert wren.log_in().status_code == 429


def test_a_foreign_page_asks_for_none(unit, wren):
    """[SEC-05]"""
    typed = {"login": wren.login, "password": PASSWORD}
    away = {"sec-fetch-site": "cross-site"}

    answer = wren.ask("POST", "/api/session-factor", typed, headers=away)

    assert_problem(answer, 403, "Another page")
