"""National numbers of persons: read strictly, since a wrong one joins two people."""

import re
from collections.abc import Callable
from typing import Any

from stdnum import exceptions
from stdnum.be import nn
from stdnum.br import cpf
from stdnum.ch import ssn
from stdnum.dk import cpr
from stdnum.fi import hetu
from stdnum.fr import nir
from stdnum.gb import nhs
from stdnum.ie import pps
from stdnum.it import codicefiscale
from stdnum.nl import bsn
from stdnum.no import fodselsnummer
from stdnum.pl import pesel
from stdnum.se import personnummer

SCHEMES: dict[str, Any] = {
    "BE": nn,
    "BR": cpf,
    "CH": ssn,
    "DK": cpr,
    "FI": hetu,
    "FR": nir,
    "GB": nhs,
    "IE": pps,
    "IT": codicefiscale,
    "NL": bsn,
    "NO": fodselsnummer,
    "PL": pesel,
    "SE": personnummer,
}
# The number range that the health service of Great Britain sets aside for tests.
_TEST_RANGES = {"GB": ("999",)}


class WrongNumberError(ValueError):
    """A text is no national number of a country; the text says what to look at."""


def check_national_number(country: str, text: str) -> str:
    """Return the number in its shortest spelling.

    Parameters
    ----------
    country : str
        ISO 3166-1 alpha-2; one of `SCHEMES`.

    Raises
    ------
    WrongNumberError
        The country has no scheme here, the check digit does not fit, or the number is a stand-in:
        one sign repeated, or of a range set aside for tests.

    Notes
    -----
    Check digits are python-stdnum's.
    """
    scheme = SCHEMES.get(country)
    if scheme is None:
        message = (
            f"National numbers of {country[:2]!r} are not checked here. Leave the field empty."
        )
        raise WrongNumberError(message)
    validate: Callable[[str], str] = scheme.validate
    try:
        number = validate(text)
    except exceptions.ValidationError as error:
        raise WrongNumberError(
            f"This is no national number of {country}. Compare it with the card, sign by sign."
        ) from error
    digits = re.sub(r"\D", "", number)
    if len(set(digits)) <= 1 or number.startswith(_TEST_RANGES.get(country, ("\0",))):
        raise WrongNumberError("This number stands for no person. Leave the field empty.")
    return number
