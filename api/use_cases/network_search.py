"""The search by a recall of the hub: of a bounded size, whoever wrote it (NL9)."""

from collections.abc import Mapping
from typing import Any

from api.clinical_rules.implant_search import Search
from api.use_cases.errors import CalculationError
from api.use_cases.find_lots import read_search

# Project default: a search by more would keep everybody waiting, and no maker recalls as many.
MOST_NETWORK_LOTS = 200


class TooManyLotsError(CalculationError):
    """A notice of the hub names more lots than are searched by at once."""


def read_network_search(content: Mapping[str, Any]) -> Search:
    """Return the search by a notice of the hub.

    Raises
    ------
    TooManyLotsError
        It names more than 200 lots (NL9).
    CalculationError
        As `read_search`.
    """
    lots = content.get("lots")
    if isinstance(lots, list | tuple) and len(lots) > MOST_NETWORK_LOTS:
        raise TooManyLotsError(
            f"The notice names {len(lots)} lots, more than the {MOST_NETWORK_LOTS} that are "
            "searched by at once, so it cannot be searched by. Ask the hub for it in parts."
        )
    return read_search(content)
