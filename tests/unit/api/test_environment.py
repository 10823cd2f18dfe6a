"""What is drawn by chance: as much of it as keeps a guess out, and never the same twice."""

import math

import pytest

from api.environment import _CODE_LETTERS, Environment

DRAWS = 2_000


@pytest.mark.parametrize(
    ("draw", "letters", "length", "least_bits"),
    [
        # OWASP ASVS 5.0.0 V11.5.1: 128 bits; V6.6.3 and SEC-08: 64 for a code of ten minutes.
        (Environment().new_token, "0123456789abcdef", 64, 128),
        (Environment().new_salt, "0123456789abcdef", 32, 128),
        (lambda: Environment().new_code().replace("-", ""), _CODE_LETTERS, 16, 64),
    ],
)
def test_secrets_are_long_enough_and_use_all_their_letters(draw, letters, length, least_bits):
    """Caught, planted: a code drawn from digits alone."""
    drawn = [draw() for _ in range(DRAWS)]

    assert {len(one) for one in drawn} == {length}
    assert set("".join(drawn)) == set(letters)
    assert len(set(drawn)) == DRAWS
    assert length * math.log2(len(letters)) >= least_bits
