"""[SEC-21] [SEC-22] [FU-11] Requests drawn from the described interface, by every role.

Whatever is sent, no answer is a server error, each one is as the description says or is problem
details in one sentence, and who has no business with care sees neither a word nor a field of it.
Here each stands alone; `test_request_chains` links them. `REQUESTS` draws more (`make soak`).
"""

import hashlib
import os

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.safety.care_canaries import PICTURE, READ_NO_CARE
from tests.safety.drawn_requests import (
    KNOWN,
    LEFT_OUT,
    judge_sound,
    judge_without_care,
    name_what_is_there,
    planted_unit,
    send,
)
from tests.safety.test_access_matrix import ask_as

REQUESTS = int(os.environ.get("REQUESTS", "3"))
CLINICAL = ("bedside",)
PICTURE_DIGEST = hashlib.sha256(PICTURE).hexdigest()


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    with planted_unit(tmp_path_factory.mktemp("roles") / "unit") as standing:
        yield standing


@pytest.fixture(scope="module")
def described(unit):
    """Return every operation of the description, as strategies."""
    schema = schemathesis.openapi.from_dict(unit.client.get("/schema/openapi.json").json())
    operations = [found.ok() for found in schema.get_all_operations()]
    kept = [one for one in operations if (one.method.lower(), one.path) not in LEFT_OUT]
    assert len(kept) > 40
    return kept


def _play(unit, described, asker: str, judge) -> None:
    """Send some requests of every operation as somebody, and judge each answer."""
    ask = ask_as(unit, asker)
    with unit.store.transaction():
        segments = [one.digest for one in unit.store.snapshots.segments("care")]
    known = KNOWN | {"device": [f"{asker}-1"], "digest": [PICTURE_DIGEST, *segments]}
    for operation in described:

        @seed(20261126)
        @settings(
            max_examples=REQUESTS,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), pick=st.integers(0, 9_999))
        def play(case, pick):
            unit.environment.moved["ms"] += 5_000
            name_what_is_there(case, known, pick)
            answer = send(ask, case)
            judge_sound(case, answer)
            judge(f"{case.method} {case.path}", answer)

        play()


@pytest.mark.parametrize("asker", CLINICAL)
def test_nothing_that_a_tablet_sends_breaks_the_server(unit, described, asker):
    """Planted and caught, each: the forks of the health as text where a number is described; a
    break where the end of a period is left out.
    """
    _play(unit, described, asker, lambda asked, answer: None)


@pytest.mark.parametrize("asker", READ_NO_CARE)
def test_no_request_brings_care_to_who_reads_none(unit, described, asker):
    """Planted and caught: a pull of care for a booking desk."""
    _play(unit, described, asker, lambda asked, answer: judge_without_care(asker, asked, answer))
