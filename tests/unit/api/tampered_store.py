"""A closed store with signed logs, and ways to change it behind its back."""

import os

from api.storage.device_store import Device
from api.storage.errors import StorageError
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.receive_push import receive_push
from api.use_cases.server_log import Chance
from api.use_cases.verify_log import verify_log
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer, forged, texts

TRIES = 1_000 if os.environ.get("SOAK") else 200
TABLETS = ("tablet-a", "tablet-b", "tablet-c")


def fill_store(folder):
    """Leave a closed store: three signed logs, the server's own, one text set aside."""
    store = open_unit_store(folder, new_generation="generation-1")
    for drawn in (1, 2):
        chance = Chance(f"person{drawn}", f"epoch{drawn}", f"{drawn:032x}", NOON_MS)
        add_staff(store, f"Person {drawn}", "assistant", chance=chance)
    for name in TABLETS:
        signer, writer = SigningDevice(name), Writer(name)
        with store.transaction():
            store.signatures.enrol(name, signer.public_key, "ep01")
        for part in range(3):
            batch = [writer.write(f"puncture/{name}-{part}-{one}") for one in range(4)]
            pushed = texts(*batch)
            if (name, part) == ("tablet-b", 1):
                pushed[2] = forged(batch[2])
            signature = signer.sign_head(batch[-1])
            device = Device(name, name, "bedside", None)
            receive_push(store, device, pushed, now_ms=NOON_MS, signature=signature)
    assert verify_log(store).findings == ()
    store.close()


def findings_of(folder):
    try:
        store = open_unit_store(folder, new_generation="generation-1")
    except StorageError as error:
        return (str(error),)
    try:
        return verify_log(store).findings
    finally:
        store.close()


def change_byte(content, drawn, places=None):
    place = drawn.choice(places) if places else drawn.randrange(len(content))
    return (
        content[:place] + bytes([content[place] ^ drawn.randrange(1, 256)]) + content[place + 1 :]
    )


def cut_off_with_signatures(connection):
    for table in ("operation", "head_signature"):
        connection.execute(
            f"DELETE FROM {table} WHERE device = 'tablet-a' AND counter > 8"  # noqa: S608
        )
    connection.execute("DELETE FROM record_view WHERE record LIKE 'puncture/tablet-a-2-%'")
