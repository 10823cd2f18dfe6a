"""Whether this store is an older copy: put back by a person, or only said to be one by a device."""

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from sync.clock import DAY_MS

PUT_BACK = "put back"
_SAID = "said to be an older copy"
COMMAND = "crura restore --copied-back"


class OlderCopyClaim(msgspec.Struct, frozen=True):
    """A device has read what is not held here, and when it said so (wall milliseconds)."""

    device: str
    noted_ms: int

    @property
    def sentence(self) -> str:
        """The alarm for a person (EX21)."""
        return (
            f"{self.device} has read entries that this unit's store does not hold. Data manager: "
            "if an older copy of the store was copied into its folder, stop the server and run "
            f"`{COMMAND}`, so that the devices bring what it lacks; if not, look at that device."
        )


def is_put_back(store: UnitStore) -> bool:
    """Say whether a person put this store back, so that it takes what others wrote (EX10)."""
    return store.fact(PUT_BACK) is not None


def put_back_ms(store: UnitStore) -> int:
    """Return when a person put this store back last, wall milliseconds; 0 for never."""
    return int(store.fact(PUT_BACK) or 0)


def mark_put_back(store: UnitStore, *, now_ms: int, new_generation: str = "") -> None:
    """Keep that a person put this store back; inside a transaction.

    Parameters
    ----------
    new_generation : str
        Name that the store takes, so that every device notices; "" where it has a new one already.

    Notes
    -----
    Rule EX10.
    """
    store.keep_fact(PUT_BACK, str(now_ms))
    store.keep_fact(_SAID, "")
    if new_generation:
        store.keep_fact("generation", new_generation)


def find_older_copy_claim(store: UnitStore) -> OlderCopyClaim | None:
    """Return what a device says that no person has answered by a command, None for nothing."""
    said = store.fact(_SAID)
    return msgspec.json.decode(said, type=OlderCopyClaim) if said else None


def weigh_reading(
    store: UnitStore, device: Device, *, is_other: bool, wall_ms: int, now_ms: int
) -> None:
    """Note an alarm where a device says that it has read what is not held; inside a transaction.

    Nothing else follows from it: the word of a device opens nothing (EX21).

    Parameters
    ----------
    is_other : bool
        Its cursors, or what it read last, do not agree with what is held here.
    wall_ms : int
        The device's clock when it said so: a message that comes late says nothing new.

    Notes
    -----
    Rules EX12, EX21. After a store was put back by a person, each device comes once with what it
    had read before; only from then on does it tell something new. Once a day at most, so that an
    alarm that was seen to is followed by another one while it goes on.
    """
    if device.revoked_ms is not None:
        return
    if is_put_back(store):
        name, generation = f"agreed {device.id}", store.fact("generation") or ""
        agreed, _, since_ms = (store.fact(name) or "").rpartition(" ")
        if agreed != generation:
            if not is_other:
                store.keep_fact(name, f"{generation} {wall_ms}")
            return
        if wall_ms <= int(since_ms):
            return
    if not is_other:
        return
    held = find_older_copy_claim(store)
    if held is None or now_ms - held.noted_ms > DAY_MS:
        claim = OlderCopyClaim(device.id, now_ms)
        store.keep_fact(_SAID, msgspec.json.encode(claim).decode())
