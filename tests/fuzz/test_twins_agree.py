"""Both engines on random requests of every kind, and that the comparison can tell them apart."""

import json
import os
import secrets
from pathlib import Path

import pytest

from api.clinical_rules.calculate import CALCULATIONS
from tests.fuzz.differential import KINDS, VECTORS, compare_engines, draw_requests, main
from tests.unit.api import twin_engine
from tests.unit.api.inner_engines import INNER
from tests.unit.api.twin_engine import answer_here, packaged_rule_book

# Another seed each day would make a red test a matter of luck; `make fuzz` draws a new one.
SEED = int(os.environ.get("FUZZ_SEED", "20261125"))
COUNT = 2000
CONFORMANCE = Path(__file__).resolve().parents[1] / "conformance"


@pytest.mark.parametrize("kind", KINDS)
def test_both_engines_write_the_same_json(kind):
    """[LS1] [LS2] [AH2] [DL1] [SZ2] [SZ3] [SZ13] [FU4] [ST1] [GE1]

    Planted bugs that this caught, each in one engine alone: the logarithm's series cut off after
    z^7, a loop band's lower bound rounded down, coils with numbers for ids in the order of the
    stock, an early look from one coil more, the 28th as the last day of every month, a bound of
    the clearance left out, the century of a label a year off, day 00 read as the 30th, moves in
    another order, choices counted as steps passed, a class without continuity, midnights of a
    stay counted an hour early, a tenfold value without its equality, the lowest share shown as the
    highest, a battery gate at its limit, an expiry on the day itself left out, a look said to have
    been seen taken for one that was not, and a place looked for from the end of the window.

    The same draw, 100,000 times, found what nobody had planted: creatinine clearances that lie
    exactly between two hundredths, the order of numbers among keys, and numbers below 1e-60.
    """
    print(f"FUZZ_SEED={SEED}")

    assert compare_engines(kind, COUNT, SEED) is None


def test_every_kind_and_every_inner_engine_is_drawn():
    assert set(KINDS) == set(VECTORS) == {*CALCULATIONS, *INNER}
    assert [path for path in VECTORS.values() if not (CONFORMANCE / path).exists()] == []


@pytest.mark.parametrize("kind", KINDS)
def test_most_requests_are_answered_and_many_are_refused(kind):
    """A generator whose requests were all refused at their first key would compare nothing."""
    book = packaged_rule_book()
    answers = [answer_here(kind, one, book) for one in draw_requests(kind, 400, SEED, book)]
    refused = sum("refused" in one for one in answers)

    assert refused < 300
    if kind != "step-protocol":
        assert refused > 20


def test_the_same_seed_draws_the_same_requests():
    book = packaged_rule_book()
    first, again, other = (
        json.dumps(list(draw_requests("sizing", 50, seed, book))) for seed in (1, 1, 2)
    )

    assert first == again
    assert first != other


def test_a_difference_is_printed_as_a_vector(monkeypatch, capsys):
    """Planted: the Python engine gives a needle stop that is one micrometre deeper."""
    own = twin_engine.answer_here

    def answer_deeper(kind, request, rule_book):
        answer = own(kind, request, rule_book)
        for target in answer.get("answer", {}).get("targets", []):
            if isinstance(target["needle_stop_um"], int):
                target["needle_stop_um"] += 1
        return answer

    monkeypatch.setattr(twin_engine, "answer_here", answer_deeper)
    monkeypatch.setattr("sys.argv", ["differential", "--requests", "500", "--seed", "1", "sizing"])

    assert main() == 1
    printed = capsys.readouterr().out
    vector = json.loads(printed[printed.index("{") : printed.index("\nA case for tests/")])
    assert printed.startswith("seed 1, 500 requests a kind\nsizing: DIFFERENT")
    assert set(vector) == {"description", "given", "expect"}
    assert set(vector["given"]) == {"kind", "request"}
    assert any("measured_distance_um" in one for one in vector["given"]["request"]["targets"])


def test_a_new_seed_is_printed(monkeypatch, capsys):
    monkeypatch.setattr(secrets, "randbelow", lambda _: 4711)
    monkeypatch.setattr("sys.argv", ["differential", "--requests", "5", "first-bleed"])

    assert main() == 0
    assert capsys.readouterr().out.startswith("seed 4711, 5 requests a kind\nfirst-bleed: alike")
