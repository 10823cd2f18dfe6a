"""The hub's store keeps the contract, played through the door of a real push."""

import pytest

from api.storage.hub_store import open_hub_store
from tests.contracts.operation_store_contract import play_case, store_cases
from tests.contracts.test_server_store import ServerStore


class PostgresStore(ServerStore):
    """The store in a database, behind the steps of the contract."""

    def __init__(self, folder, url):
        self._folder, self._url = folder, url
        self._store = open_hub_store(url, folder, new_generation="generation-1")

    def restart(self):
        self._store.close()
        return PostgresStore(self._folder, self._url)


@pytest.mark.parametrize("case", store_cases())
def test_the_hub_store_keeps_the_contract(case, tmp_path, database):
    stores = []

    def make():
        stores.append(PostgresStore(tmp_path, database))
        return stores[-1]

    play_case(case, make)
    stores[-1].close()
