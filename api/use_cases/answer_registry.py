"""What a unit is handed at the hub: what the hub wrote for it, and its own; of no other unit."""

from collections.abc import Iterator

from api.storage.device_store import UNIT_ROLE, Device
from api.storage.entry_rows import Entry
from api.storage.unit_store import UnitStore
from api.use_cases.registry_log import REGISTRY_STREAM
from api.use_cases.server_role import HUB_DEVICE
from sync.exchange import cut_batch

# Receipt number, envelope, body.
Texts = tuple[int, str, str | None]


def heads_for(store: UnitStore, device: Device) -> dict[str, int]:
    """Return how far each stream goes for a device; inside a transaction.

    For a unit by what it may read alone (SEC-24): what others sent moves it no further. The numbers
    themselves count what the hub took in of all (RG11).
    """
    if device.role == UNIT_ROLE:
        return {REGISTRY_STREAM: store.registry.head_of_unit(HUB_DEVICE, device.id)}
    return store.operations.heads(device.streams)


def last_of_others(store: UnitStore, device: Device, stream: str, *, up_to: int) -> str | None:
    """Return the hash of the last entry of others that a device reads up to a number (EX20)."""
    if device.role == UNIT_ROLE:
        return store.registry.last_of_hub(HUB_DEVICE, device.id, up_to=up_to)
    return store.operations.last_of_others(stream, up_to=up_to, device=device.id)


def registry_page(
    store: UnitStore, unit: Device, *, after: int, limit: int, with_own: bool
) -> tuple[list[Texts], int, bool]:
    """Return one page for a unit, where the next begins, and whether there is more.

    Inside a transaction.

    Notes
    -----
    Rules RG11, RG12, SEC-24. What the hub has set aside of the unit's own log is among its own: the
    unit wrote it, and its log goes on over it. A damaged entry is in no page (LG6).
    """
    entries = store.registry.of_unit(
        HUB_DEVICE, unit.id, after=after, limit=limit + 1, with_own=with_own
    )
    wanted = entries[:limit]
    texts = [(one.seq, *_texts_of(store, one)) for one in wanted]
    fitting = cut_batch([len(envelope) + len((body or "").encode()) for _, envelope, body in texts])
    more = fitting < len(entries)
    head = store.registry.head_of_unit(HUB_DEVICE, unit.id)
    following = wanted[fitting - 1].seq if more else max(head, after)
    sound = [text for entry, text in zip(wanted, texts, strict=True) if not entry.trouble]
    return [text for text in sound if text[0] <= following], following, more


def _texts_of(store: UnitStore, entry: Entry) -> tuple[str, str | None]:
    operation = entry.operation
    aside: Iterator[str | None] = (
        held.body
        for held in store.held_back.of_id(operation.op_id)
        if entry.is_set_aside and held.envelope == operation.envelope_text
    )
    return operation.envelope_text, next(aside, operation.body_text)
