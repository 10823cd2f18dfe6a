"""The unit server's store keeps the contract, played through the door of a real push."""

from itertools import groupby

import pytest

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.receive_push import receive_push
from sync.merge import RecordState
from sync.operation import read_operation
from sync.operation_log import Tip
from tests.contracts.operation_store_contract import Texts, play_case, store_cases


class ServerStore:
    """The store in a folder, behind the steps of the contract."""

    def __init__(self, folder):
        self._folder = folder
        self._store: UnitStore = open_unit_store(folder, new_generation="generation-1")

    def take_in(self, texts: list[Texts]) -> None:
        def device_of(one: Texts) -> str:
            return read_operation(one[0], None).device

        for name, batch in groupby(texts, key=device_of):
            device = Device(name, name, "bedside", None)
            receive_push(self._store, device, list(batch), now_ms=1_000)

    def tip(self, device: str, epoch: str) -> Tip:
        return self._store.operations.tip_of(device, epoch)

    def state(self, record: str) -> RecordState | None:
        return self._store.views.state_of(record)

    def held(self, record: str) -> list[Texts]:
        return [
            (one.envelope_text, one.body_text or "")
            for one in self._store.operations.of_record(record)
        ]

    def conflicts(self) -> list[tuple[str, str]]:
        return [
            (conflict.record, conflict.field)
            for conflict in self._store.views.conflicts(("care", "booking", "unit"))
        ]

    def set_aside(self) -> list[Texts]:
        return [(one.envelope, one.body or "") for one in self._store.operations.quarantined()]

    def restart(self) -> "ServerStore":
        self._store.close()
        return ServerStore(self._folder)

    def close(self) -> None:
        self._store.close()


@pytest.mark.parametrize("case", store_cases())
def test_the_server_store_keeps_the_contract(case, tmp_path):
    play_case(case, lambda: ServerStore(tmp_path / "unit"))
