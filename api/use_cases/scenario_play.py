"""Plays a scenario in memory: what each device wrote, saw and exchanged. Stores nothing."""

import hashlib
from collections.abc import Iterable, Mapping

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.storage.device_store import ROLE_STREAMS
from api.use_cases.errors import ScenarioError
from api.use_cases.field_check import misfits
from api.use_cases.scenario import UNIT, Entry, Scenario, read_instant_ms
from sync.clock import Stamp, next_stamp, read_stamp, take_notice
from sync.conflict import list_conflicts
from sync.errors import SyncError
from sync.merge import RecordState, canonical_text, merge_record, shown_value
from sync.operation import Body, Operation, make_operation
from sync.operation_log import Tip


class PlayedPush(msgspec.Struct, frozen=True):
    """What one device sent in one exchange."""

    device: str
    role: str
    sent_ms: int
    operations: tuple[Operation, ...]


class Play(msgspec.Struct, frozen=True):
    """All pushes in order, and what the unit shows at the end."""

    pushes: tuple[PlayedPush, ...]
    states: Mapping[str, RecordState]


class _Holder:
    """What a device or the unit holds, by record."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._held: dict[str, list[Operation]] = {}

    def take(self, operation: Operation) -> None:
        self._held.setdefault(operation.record, []).append(operation)

    def state(self, record: str) -> RecordState:
        policies = self._catalogue.policies_of(record.split("/", 1)[0])
        return merge_record(record, self._held.get(record, ()), policies)

    def states(self) -> dict[str, RecordState]:
        return {record: self.state(record) for record in sorted(self._held)}


class _Device(_Holder):
    """One device of the story with its log and its screen."""

    def __init__(self, catalogue: Catalogue, name: str, role: str, epoch: str) -> None:
        super().__init__(catalogue)
        self.name, self.role = name, role
        self.tip = Tip(epoch, 0, "")
        self.clock: Stamp | None = None
        self.unsent: list[Operation] = []
        self.read = 0


class _Stage:
    """The devices, the unit, and what was labelled so far."""

    def __init__(self, name: str, scenario: Scenario, catalogue: Catalogue) -> None:
        self.name = name
        self.catalogue = catalogue
        self.devices = {
            device.id: _Device(catalogue, device.id, device.role, _epoch(name, device.id, scenario))
            for device in scenario.devices
        }
        self.received: list[Operation] = []
        self.pushes: list[PlayedPush] = []
        self.labels: dict[str, str] = {}

    def device(self, where: str, name: str) -> _Device:
        if name not in self.devices:
            message = f"{where}: there is no device {name!r} in `devices`. Add it there."
            raise ScenarioError(message)
        return self.devices[name]

    def references(self, where: str, labels: Iterable[str]) -> tuple[str, ...]:
        unknown = [label for label in labels if label not in self.labels]
        if unknown:
            message = f"{where}: no earlier entry has the label {unknown[0]!r}. Correct it."
            raise ScenarioError(message)
        return tuple(self.labels[label] for label in labels)

    def exchange(self, device: _Device, *, at_ms: int) -> None:
        """Send what was not sent, then read what others sent."""
        if device.unsent:
            self.pushes.append(PlayedPush(device.name, device.role, at_ms, tuple(device.unsent)))
            self.received.extend(device.unsent)
            device.unsent = []
        streams = ROLE_STREAMS[device.role]
        for operation in self.received[device.read :]:
            stamp = read_stamp(operation.stamp)
            if operation.device == device.name or operation.stream not in streams:
                continue
            device.take(operation)
            if stamp is not None:
                device.clock = take_notice(device.clock, stamp, wall_ms=at_ms)
        device.read = len(self.received)


def play_scenario(name: str, scenario: Scenario, catalogue: Catalogue) -> Play:
    """Play every entry, let every device exchange once at the end, and check the ending.

    Parameters
    ----------
    name : str
        Name of the file without its ending: epochs and salts derive from it.

    Raises
    ------
    ScenarioError
        An entry contradicts the catalogue or the story, or the ending is another; the sentence
        names the entry.

    Notes
    -----
    Pure: same story, same bytes. A device begins with an empty screen; a story therefore
    changes only records of its own.
    """
    for listed in scenario.devices:
        if listed.role not in ROLE_STREAMS:
            message = f"Scenario {name}: device {listed.id} has the unknown role {listed.role!r}."
            raise ScenarioError(message)
    stage = _Stage(name, scenario, catalogue)
    at_ms = 0
    for number, entry in enumerate(scenario.timeline, 1):
        where = f"Scenario {name}, entry {number}"
        at_ms = read_instant_ms(where, entry.at)
        if entry.exchange is None:
            _act(stage, where, entry, at_ms)
            continue
        asking, asked = entry.exchange
        if asked != UNIT or entry.set or entry.record:
            message = f'{where}: write {{"at": ..., "exchange": ["{asking}", "{UNIT}"]}}.'
            raise ScenarioError(message)
        stage.exchange(stage.device(where, asking), at_ms=at_ms)
    for device in stage.devices.values():
        stage.exchange(device, at_ms=at_ms)
    unit = _Holder(catalogue)
    for operation in stage.received:
        unit.take(operation)
    states = unit.states()
    _check_ending(name, scenario, states)
    return Play(tuple(stage.pushes), states)


def _act(stage: _Stage, where: str, entry: Entry, at_ms: int) -> None:
    device = stage.device(where, entry.device)
    wrong = misfits(stage.catalogue, entry.record, entry.set)
    if not entry.by:
        wrong.append("nobody is named in `by`")
    stream = stage.catalogue.stream_of(entry.record.split("/", 1)[0])
    if stream is not None and stream not in ROLE_STREAMS[device.role]:
        wrong.append(f"a {device.role} device does not write stream {stream}")
    if entry.label in stage.labels:
        wrong.append(f"the label {entry.label!r} stands twice")
    if wrong or stream is None:
        message = f"{where} ({entry.record}): {wrong[0]}. Correct it there."
        raise ScenarioError(message)
    if isinstance(entry.over_shown, dict):
        over = {
            field: stage.references(where, labels) for field, labels in entry.over_shown.items()
        }
    else:
        shown = device.state(entry.record).fields if entry.over_shown else {}
        over = {field: shown[field].references for field in entry.set if field in shown}
    counter = device.tip.counter + 1
    device.clock = next_stamp(device.clock, wall_ms=at_ms, device=device.name)
    try:
        operation = make_operation(
            device=device.name,
            epoch=device.tip.epoch,
            counter=counter,
            previous=device.tip.hash,
            stream=stream,
            record=entry.record,
            stamp=str(device.clock),
            body=Body(
                salt=_digest(stage.name, device.name, device.tip.epoch, str(counter))[:32],
                by=entry.by,
                tapped_by=entry.tapped_by or entry.by,
                catalogue=stage.catalogue.version,
                set=entry.set,
                over=over,
                retract=stage.references(where, entry.retract),
                because=entry.because,
            ),
        )
    except SyncError as error:
        raise ScenarioError(f"{where}: {error}") from error
    device.tip = Tip(device.tip.epoch, counter, operation.hash)
    device.unsent.append(operation)
    device.take(operation)
    if entry.label:
        stage.labels[entry.label] = operation.reference


def _check_ending(name: str, scenario: Scenario, states: Mapping[str, RecordState]) -> None:
    ending = scenario.ends_with
    wrong = [
        f"{record}.{field} is {found!r}, not {expected!r}"
        for record, fields in ending.records.items()
        for field, expected in fields.items()
        if (found := _shown(states.get(record), field)) != expected
    ]
    found_conflicts = {
        (conflict.record, conflict.field): conflict.values
        for state in states.values()
        for conflict in list_conflicts(state)
    }
    expected_conflicts = {(one.record, one.field): one.values for one in ending.conflicts}
    if set(found_conflicts) != set(expected_conflicts):
        wrong.append(f"the open conflicts are {sorted(found_conflicts)}")
    wrong.extend(
        f"the values of {key} are {found_conflicts[key]}"
        for key, values in expected_conflicts.items()
        if values is not None
        and key in found_conflicts
        and {canonical_text(one) for one in values}
        != {canonical_text(one) for one in found_conflicts[key]}
    )
    in_error = {record for record, state in states.items() if state.is_entered_in_error}
    if in_error != set(ending.entered_in_error):
        wrong.append(f"entered in error are {sorted(in_error)}")
    if wrong:
        message = f"Scenario {name} ends otherwise: {'; '.join(wrong)}. Correct `ends_with`."
        raise ScenarioError(message)


def _shown(state: RecordState | None, field: str) -> object:
    return None if state is None else shown_value(state.fields.get(field))


def _epoch(name: str, device: str, scenario: Scenario) -> str:
    # Moved to another day the same story is other bytes, hence another log.
    return "s" + _digest(name, device, scenario.story_today_on)[:11]


def _digest(*parts: str) -> str:
    return hashlib.sha256("/".join(parts).encode()).hexdigest()
