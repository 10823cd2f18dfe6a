"""Load a scenario into the store, through the same door as a real push."""

import hashlib
from collections.abc import Mapping

import msgspec

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import ScenarioError
from api.use_cases.receive_picture import receive_piece
from api.use_cases.receive_push import receive_push
from api.use_cases.scenario import read_scenario, shift_scenario
from api.use_cases.scenario_play import play_scenario
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Operation, decode_body


class LoadedScenario(msgspec.Struct, frozen=True):
    """The story's title, and how many of its operations were new."""

    title: str
    operations: int


def load_scenario(
    store: UnitStore,
    name: str,
    content: bytes,
    *,
    today_on: str | None = None,
    pictures: Mapping[str, bytes] | None = None,
) -> LoadedScenario:
    """Play a story and take in what its devices sent.

    Parameters
    ----------
    name : str
        Name of the file without its ending.
    today_on : str or None
        Civil date that takes the place of the story's own today; None leaves dates as written.
    pictures : mapping of str to bytes, optional
        SHA-256 to the bytes of pictures that the story's records name; without them they are on
        their way.

    Raises
    ------
    ScenarioError
        The story cannot be read or played, or it was loaded before as of another day or with
        other content. Nothing of it is written.

    Notes
    -----
    The same story twice changes nothing: every id and salt derives from name and position.
    """
    scenario = read_scenario(name, content)
    if today_on is not None:
        scenario = shift_scenario(name, scenario, store.catalogue, today_on=today_on)
    play = play_scenario(name, scenario, store.catalogue)
    mark = f"{hashlib.sha256(content).hexdigest()} on {scenario.story_today_on}"
    with store.transaction():
        before = store.fact(f"scenario {name}")
        if before not in (None, mark):
            message = (
                f"Scenario {name} is loaded already, as of another day or in another version. "
                "Use a fresh --data folder."
            )
            raise ScenarioError(message)
        store.keep_fact(f"scenario {name}", mark)
        count_before = store.operations.count()
        for push in play.pushes:
            texts = [(one.envelope_text, one.body_text or "") for one in push.operations]
            device = Device(push.device, push.device, push.role, None)
            for start in range(0, len(texts), MAX_BATCH_COUNT):
                batch = texts[start : start + MAX_BATCH_COUNT]
                answer = receive_push(store, device, batch, now_ms=push.sent_ms, is_story=True)
                if answer.quarantined:
                    message = f"Scenario {name}: {answer.quarantined[0].sentence}"
                    raise ScenarioError(message)
        loaded = LoadedScenario(scenario.title, store.operations.count() - count_before)
    for push in play.pushes:
        device = Device(push.device, push.device, push.role, None)
        for operation in push.operations:
            _take_in_picture(store, device, operation, pictures or {})
    return loaded


def _take_in_picture(
    store: UnitStore, device: Device, operation: Operation, pictures: Mapping[str, bytes]
) -> None:
    """Take in the bytes of a picture that an operation names, where the story brings them."""
    if operation.kind != "picture" or operation.body_text is None:
        return
    file = decode_body(operation.body_text).set.get("file")
    digest = file.get("sha256") if isinstance(file, dict) else None
    if isinstance(digest, str) and digest in pictures:
        receive_piece(store, device, operation.record, digest, 0, pictures[digest])
