"""Walks from answer to request along the links of the described interface, as one asker.

Each walk begins on a server of its own, a copy of one that was planted: what one walk ended stands
again in the next, and a walk can be repeated.
"""

import shutil
import tempfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, seed, settings
from schemathesis.config import SchemathesisConfig
from schemathesis.core.transport import Response
from schemathesis.engine.link_calibration import LinkCalibrationState
from schemathesis.generation.feedback import NO_FEEDBACK
from schemathesis.generation.stateful.control import TransitionController

from tests.safety.drafting_tablet import Tablet
from tests.safety.drawn_requests import judge_sound, name_what_is_there, send
from tests.safety.linked_requests import CODE_NOW, NEW_DEVICE, Link, describe_links
from tests.safety.test_access_matrix import (
    ASKERS,
    DEVICES,
    EXPECTED,
    ask_as,
    ask_as_person,
    log_in_as,
)
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import StandingUnit

PUSH, JOIN = "POST /api/exchange/push", "POST /api/devices"
PEOPLE = set(ASKERS) - {*DEVICES, "public", "machine"}
# What may follow one answer is asked again so often, within one walk.
AGAIN = 4
# Only these are what the machine makes of the links; nothing is inferred from names.
_CONFIG = {"phases": {"stateful": {"inference": {"algorithms": []}}}}
Judge = Callable[[str, Any], None]


class PlantedServer:
    """A server that was planted once, and copies of it."""

    def __init__(self, standing: StandingUnit, *, as_hub: bool = False) -> None:
        self.folder, self.as_hub = standing.folder, as_hub
        self.description = standing.client.get("/schema/openapi.json").json()
        # What was drawn for it is not drawn again.
        self.moved = dict(standing.environment.moved)

    def copy(self, place: Path) -> StandingUnit:
        """Return the server over a copy of its folder."""
        shutil.copytree(self.folder, place)
        standing = StandingUnit(place, as_hub=self.as_hub)
        standing.environment.moved.update(self.moved)
        return standing


@dataclass
class Walked:
    """What came of the walks: links by the statuses that they led to, and what was refused.

    ``longest`` is how many good answers the longest chain had.
    """

    followed: Counter[tuple[str, int]] = field(default_factory=Counter)
    longest: int = 0
    refused: list[str] = field(default_factory=list)

    def links(self) -> set[str]:
        """Return the links that led on from one good answer to another."""
        return {link for link, status in self.followed if status < 300}


class _Faithful(LinkCalibrationState):
    """Goes by what an answer told, nine times of ten; else by what was drawn."""

    def use_probability(self, transition_id: str) -> float:
        return 0.9

    def is_calibrated(self, transition_id: str) -> bool:
        return True


class _FewBeginnings(TransitionController):
    """Goes on from an answer rather than beginning anew, as long as something can follow."""

    __slots__ = ("begun", "followed")

    def __init__(self, transitions, roots) -> None:
        super().__init__(transitions, roots)
        self.max_operations_per_source = AGAIN
        self.begun = self.followed = 0

    def allow_root_transition(self, source, bundles) -> bool:
        if source not in self.roots:
            return False
        if self.begun >= 2 + self.followed // 3 and self._can_follow(bundles):
            return False
        return super().allow_root_transition(source, bundles)

    def _can_follow(self, bundles) -> bool:
        answered = {
            label
            for name, answers in bundles.items()
            if answers
            for label in self.transitions.producer_labels_for_bundle(name)
        }
        return any(
            link.source.label in answered
            and self.allow_transition(link.source.label, link.target.label)
            for each in self.transitions.operations.values()
            for link in each.incoming
        )


def walk(
    planted: PlantedServer,
    asker: str,
    links: list[Link],
    *,
    known: dict[str, list[Any]],
    judge: Judge,
    walks: int,
    steps: int,
) -> Walked:
    """Walk the links as somebody; what an answer may not be is raised with the way to it."""
    walked = Walked()
    machine = seed(20261126)(_open_machine(planted, asker, links, known, judge, walked))
    try:
        machine.run(
            settings=settings(
                max_examples=walks,
                stateful_step_count=steps,
                deadline=None,
                database=None,
                phases=[Phase.generate],
                suppress_health_check=list(HealthCheck),
            )
        )
    except Exception:
        # The way to it says more than the machine, whatever became of repeating it.
        if walked.refused:
            raise AssertionError(walked.refused[0]) from None
        raise
    return walked


def open_jobs(asker: str, jobs: dict[str, list[Link]]) -> dict[str, list[Link]]:
    """Return the jobs in which somebody gets on, each with the links that begin where they may ask.

    A job begins with its first link. Who may ask is said by the matrix that was written apart from
    the guard; a link that ends where somebody is refused is tried like any other.
    """
    found: dict[str, list[Link]] = {}
    walked: set[str] = set()
    for job, links in jobs.items():
        begun = [one for one in links if _may_ask(asker, one.after)]
        new = {repr(one) for one in begun if _may_ask(asker, one.then)} - walked
        if len(new) > 1 and _may_ask(asker, links[0].after):
            found[job] = begun
            walked |= new
    return found


def count_open(asker: str, links: Iterable[Link]) -> int:
    """Return how many links lead from where somebody may ask to where they may ask too."""
    return sum(_may_ask(asker, one.after) and _may_ask(asker, one.then) for one in links)


def _may_ask(asker: str, request: str) -> bool:
    return EXPECTED[tuple(request.split(" "))][asker]


def _open_machine(planted, asker, links, known, judge, walked) -> Any:
    """Return the machine: its rules are made from the links, what it sends goes by our doors."""
    schema = schemathesis.openapi.from_dict(
        describe_links(planted.description, links), config=SchemathesisConfig.from_dict(_CONFIG)
    )
    ready = _ready_bodies(links)
    machine = schema.build_state_machine(feedback=NO_FEEDBACK, link_calibration=_Faithful())

    class Walk(machine):
        def __init__(self) -> None:
            super().__init__()
            # What needs a body begins nothing where none is known: what is drawn is refused.
            begin = {one for one in self._root_labels if one.startswith("GET") or one in ready}
            self.control = _FewBeginnings(self._transitions, begin or self._root_labels)

        def setup(self) -> None:
            self.place = Path(tempfile.mkdtemp(dir=planted.folder.parent))
            self.serving = planted.copy(self.place / "copy").serving()
            self.unit = self.serving.__enter__()
            self.unit.client.app.state.surroundings.bell.close()
            self.person = log_in_as(self.unit, asker) if asker in PEOPLE else None
            self.ask = (
                ask_as_person(self.unit, self.person) if self.person else ask_as(self.unit, asker)
            )
            self.tablet = Tablet(self.unit, f"{asker}-1")
            self.depths: dict[str, int] = {}
            self.way: list[str] = []

        def teardown(self) -> None:
            self.serving.__exit__(None, None, None)
            shutil.rmtree(self.place)

        def step(self, input: Any) -> Any:  # noqa: A002  the machine's own word
            case, link = input.case, input.transition
            is_linked = link is not None and input.is_applied
            if link is None:
                self.control.begun += 1
                _prepare_beginning(case, ready, known)
            else:
                self.control.followed += 1
            output = super().step(input)
            status = output.response.status_code
            if is_linked:
                walked.followed[link.id, int(status)] += 1
            if status < 300:
                before = self.depths.get(link.parent_id, 0) if is_linked else 0
                self.depths[case.id] = before + 1
                walked.longest = max(walked.longest, before + 1)
            return output

        def call(self, case: Any, **_: Any) -> Response:
            self.unit.environment.moved["ms"] += 5_000
            label = f"{case.method} {case.path}"
            drafted = _drafted(case) if label == PUSH else None
            if drafted is not None:
                case.body = self.tablet.write(*drafted)
            if isinstance(case.body, dict) and case.body.get("code") == CODE_NOW and self.person:
                # A code that was used is not shown again.
                self.unit.environment.moved["ms"] += 30_000
                case.body = case.body | {"code": self.person.code()}
            # The device that joins signs for itself.
            self.unit.auth.joining = SigningDevice(NEW_DEVICE) if label == JOIN else None
            try:
                self.answer = send(self.ask, case)
            finally:
                self.unit.auth.joining = None
            if drafted is not None and self.answer.status_code == 200:
                self.tablet.keep()
            parts = (case.path_parameters, case.query, case.body)
            said = " ".join(
                str(part) for part in parts if part and isinstance(part, dict | list | str)
            )
            self.way.append(f"{self.answer.status_code} {label} {said:.300}")
            if self.answer.status_code == 401 and self.person:
                # Whoever ended the own log-in comes back.
                self.unit.environment.moved["ms"] += 30_000
                self.person.log_in()
            return Response.from_any(self.answer)

        def validate_response(self, response: Any, case: Any, *_: Any, **__: Any) -> None:
            try:
                judge_sound(case, self.answer)
                judge(f"{case.method} {case.path}", self.answer)
            except BaseException as refused:
                walked.refused.append("\n".join([*self.way, f"{asker}: {refused}"]))
                raise

    return Walk


def _ready_bodies(links: Iterable[Link]) -> dict[str, list[dict[str, Any]]]:
    """Return of each request the bodies that stand in the links as they are."""
    ready: dict[str, list[dict[str, Any]]] = {}
    for one in links:
        if isinstance(one.says, dict) and "$" not in repr(one.says):
            ready.setdefault(one.then, []).append(one.says)
    return ready


def _prepare_beginning(case, ready, known) -> None:
    """Let a walk begin with something that is taken, most of the time; by what was drawn alone."""
    pick = zlib.crc32(repr((case.path_parameters, case.query, case.body)).encode())
    # What was drawn may be a value that the strategy draws again.
    if isinstance(case.body, dict | list):
        case.body = deepcopy(case.body)
    bodies = ready.get(f"{case.method} {case.path}", [])
    if bodies and pick % 5 and isinstance(case.body, dict):
        case.body = deepcopy(bodies[pick % len(bodies)])
    name_what_is_there(case, known, pick)


def _drafted(case) -> tuple[str, dict[str, Any]] | None:
    """Return what a link drafts for a tablet to write; what was drawn at random drafts nothing."""
    match case.body:
        case {"operations": [[str() as record, dict() as fields]]} if "/" in record:
            return record, fields
        case _:
            return None
