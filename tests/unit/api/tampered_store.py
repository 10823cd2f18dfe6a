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

# Eight groups of changes are made with it, in test_seal.py and test_tampering.py: a soak makes
# 10,000 in all (SEC-17).
TRIES = 1_250 if os.environ.get("SOAK") else 200
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


def delete_stretch(content, drawn):
    start = drawn.randrange(len(content))
    return content[:start] + content[start + drawn.randrange(1, 5_000) :]


def swap_stretches(content, drawn):
    """Change two stretches for each other, in half of the tries two whole pages."""
    size = drawn.choice([4_096, drawn.randrange(1, 2_000)])
    while True:
        one, other = sorted(drawn.randrange(len(content) // size) * size for _ in range(2))
        left, right = content[one : one + size], content[other : other + size]
        if left != right:
            between = content[one + size : other]
            return content[:one] + right + between + left + content[other + size :]


def cut_off(content, drawn):
    return content[: drawn.randrange(len(content))]


def cut_off_with_signatures(connection):
    connection.execute(f"DELETE FROM log_entry WHERE {of_device('tablet-a')} AND counter > 8")  # noqa: S608
    connection.execute("DELETE FROM head_signature WHERE device = 'tablet-a' AND counter > 8")
    gone = "SELECT id FROM record WHERE name LIKE 'puncture/tablet-a-2-%'"
    connection.execute(f"DELETE FROM record_state WHERE record IN ({gone})")  # noqa: S608


def of_device(name):
    """Return the condition on a row of `log_entry` that holds for the entries of a device."""
    return f"log IN (SELECT id FROM log WHERE device = '{name}')"  # noqa: S608
