"""The contract of a store of operations: the steps of `tests/conformance/store` played on it.

A store joins by an adapter that fulfils `ContractStore`, and a test that calls `play_case` for
each of `store_cases()`. The tablet's store answers to the same steps in
`pwa/src/storage/operation-store.contract.test.ts`.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import pytest

from sync.clock import Stamp
from sync.merge import RecordState
from sync.operation import Body, Operation, make_operation
from sync.operation_log import Tip

FOLDER = Path(__file__).resolve().parents[1] / "conformance/store"
Texts = tuple[str, str]


class ContractStore(Protocol):
    """What the steps ask of a store; an adapter may go through push, pull or the store itself."""

    def take_in(self, texts: list[Texts]) -> None:
        """Receive operations as envelope and body, in one transaction."""

    def tip(self, device: str, epoch: str) -> Tip:
        """Return the end of one log; counter 0 and hash "" when nothing is held."""

    def state(self, record: str) -> RecordState | None:
        """Return the kept state of a record, None when nothing is held about it."""

    def held(self, record: str) -> list[Texts]:
        """Return the exact texts in the log about a record, in any order."""

    def conflicts(self) -> list[tuple[str, str]]:
        """Return record and field of every open conflict."""

    def set_aside(self) -> list[Texts]:
        """Return the exact texts in quarantine, in order of arrival."""

    def restart(self) -> "ContractStore":
        """Return the store as a new process finds it on the same disk."""


def store_cases() -> list[Any]:
    """Return every case as a pytest parameter, named by its description."""
    found = [
        pytest.param(case, id=case["description"])
        for file in sorted(FOLDER.glob("*.json"))
        for case in json.loads(file.read_text())["cases"]
    ]
    assert found, "no store vector found"
    return found


class _Writers:
    """Devices that make the operations of a case, each continuing its log."""

    def __init__(self) -> None:
        self.made: dict[str, Operation] = {}
        self._tips: dict[tuple[str, str], Tip] = {}

    def write(self, part: dict[str, Any], *, again: bool = False) -> None:
        """Make one operation; `again` makes it in the place of the first one of its log."""
        epoch = part.get("epoch", "ep01")
        log = (part["device"], epoch)
        tip = Tip(epoch, 0, "") if again else self._tips.get(log, Tip(epoch, 0, ""))
        operation = make_operation(
            device=part["device"],
            epoch=epoch,
            counter=tip.counter + 1,
            previous=tip.hash,
            stream=part["stream"],
            record=part["record"],
            stamp=str(Stamp(1_000 + len(self.made), 0, part["device"])),
            body=Body(
                salt=f"{len(self.made):032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                set=part.get("set", {}),
                over={
                    field: tuple(self.made[name].reference for name in names)
                    for field, names in part.get("over", {}).items()
                },
                retract=tuple(self.made[name].reference for name in part.get("retract", [])),
            ),
        )
        self.made[part["name"]] = operation
        if not again:
            self._tips[log] = Tip(epoch, operation.counter, operation.hash)

    def texts(self, names: list[str]) -> list[Texts]:
        return [(self.made[name].envelope_text, self.made[name].body_text or "") for name in names]

    def names(self, texts: list[Texts]) -> list[str]:
        by_envelope = {made.envelope_text: name for name, made in self.made.items()}
        return [by_envelope[envelope] for envelope, _ in texts]


def _forged(texts: Texts) -> Texts:
    envelope, body = texts
    changed = body.replace('"catalogue":1', '"catalogue":9')
    assert changed != body
    return envelope, changed


def play_case(case: dict[str, Any], make_store: Callable[[], ContractStore]) -> None:
    """Play the steps of one case on a fresh store and assert what they expect."""
    store, writers = make_store(), _Writers()
    for step in case["steps"]:
        ((verb, given),) = step.items()
        match verb:
            case "write" | "write_again":
                for part in given:
                    writers.write(part, again=verb == "write_again")
            case "take_in":
                store.take_in(writers.texts(given))
            case "forge":
                store.take_in([_forged(writers.texts([given])[0])])
            case "restart":
                store = store.restart()
            case "expect_tip":
                made = writers.made.get(given["name"] or "")
                expected = (made.counter, made.hash) if made else (0, "")
                tip = store.tip(given["device"], given["epoch"])
                assert (tip.counter, tip.hash) == expected
            case "expect_held":
                held = store.held(given["record"])
                assert sorted(held) == sorted(writers.texts(given["names"]))
            case "expect_values":
                state = store.state(given["record"])
                assert state is not None
                assert [one.value for one in state.fields[given["field"]].values] == given["values"]
            case "expect_conflicts":
                assert store.conflicts() == [(one["record"], one["field"]) for one in given]
            case "expect_entered_in_error":
                state = store.state(given["record"])
                assert state is not None
                assert state.is_entered_in_error is given["is_entered_in_error"]
            case "expect_set_aside":
                assert writers.names(store.set_aside()) == given
            case _:
                raise AssertionError(f"unknown step {verb}")
