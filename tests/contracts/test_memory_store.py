"""The in-memory store keeps the contract, so that tests may rest on it."""

from pathlib import Path

import pytest

from api.record_catalogue.catalogue import read_catalogue
from tests.contracts.memory_store import MemoryStore
from tests.contracts.operation_store_contract import play_case, store_cases

CATALOGUE = Path(__file__).resolve().parents[2] / "api/record_catalogue/catalogue.json"
POLICIES = {
    kind: dict(policies)
    for kind, policies in read_catalogue(CATALOGUE.read_bytes()).policies.items()
}


@pytest.mark.parametrize("case", store_cases())
def test_the_memory_store_keeps_the_contract(case):
    play_case(case, lambda: MemoryStore(POLICIES))
