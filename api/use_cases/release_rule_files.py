"""The life of a unit's rule files: propose, approve by two people, put in force, retire, go live.

Who may is decided here; who somebody is will be proved by their sign-in. Nothing here decides a
number: a release only says which file counts from which day.
"""

import hashlib
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, read_listing
from api.clinical_rules.rule_release import Release, judge_release, list_approvers
from api.clinical_rules.rule_trial import try_rule_file
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.unit_rules import (
    FIRST_OWN_VERSION,
    RELEASE_KIND,
    UnitRules,
    contents_of,
    packaged_contents,
    read_unit_rules,
)
from api.use_cases.withdrawn_rule_files import find_withdrawn
from sync.merge import RecordState, shown_value

_APPROVING_ROLES = ("endoscopist", "anaesthetist", "data-manager")
# Every release counts on the last day that the rules know.
_LAST_DAY = "2199-12-31"
_NOT_LIVE_KINDS = ("patient", "case")


class ReleaseLine(msgspec.Struct, frozen=True):
    """One version of a rule file and where it stands in this unit."""

    name: str
    version: int
    standing: str
    why: str
    approved_by: tuple[str, ...]


def list_rule_files(store: UnitStore, *, on: str) -> list[ReleaseLine]:
    """Return every rule file held here and where it stands on a day, by name and version."""
    with store.transaction():
        rules = read_unit_rules(store)
    book = RuleBook(contents_of(rules), on=on, releases=rules.releases, is_training=False)
    released = {(one.name, one.version): one for one in rules.releases}
    lines = []
    for path, content in sorted(contents_of(rules).items()):
        name, _, rest = path.rpartition(".v")
        if not name:
            continue
        version = int(rest.removesuffix(".json"))
        release = released.get((name, version)) or _bare(name, version, content)
        judgement = judge_release(release, on=on)
        why, counting = judgement.why, book.version_of(name)
        if judgement.standing == "in force" and counting != version:
            why = f"version {counting} counts instead"
        names = tuple(approver.name for approver in list_approvers(release))
        lines.append(ReleaseLine(name, version, judgement.standing, why, names))
    return lines


def propose_rule_file(store: UnitStore, content: bytes, *, by: str, chance: Chance) -> ReleaseLine:
    """Take a rule file that the unit wrote, as a draft; it computes only in training.

    Raises
    ------
    NotAllowedError
        The file is faulty (the sentence names file, row and remedy), its version is there
        already, or the person may not. Nothing is written.
    """
    with store.transaction():
        _person(store, by)
        rules = read_unit_rules(store)
        try:
            text = content.decode()
            name, version = try_rule_file(content, contents_of(rules))
        except (RuleFileError, UnicodeDecodeError) as error:
            raise NotAllowedError(str(error)) from error
        wrong_number = number_fault(name, version, rules)
        if wrong_number:
            raise NotAllowedError(wrong_number)
        fields: dict[str, Any] = {"file": {"name": name, "version": version}, "content": text}
        record = record_of(name, version)
        write_as_server(store, record, fields, by=by, because="proposed", chance=chance)
    judgement = judge_release(_bare(name, version, content), on=_LAST_DAY)
    return ReleaseLine(name, version, judgement.standing, judgement.why, ())


def number_fault(name: str, version: int, rules: UnitRules) -> str:
    """Return why a unit may not give a rule file this version, "" where it may (RL11)."""
    if f"{name}.v{version}.json" in contents_of(rules):
        return (
            f"Rule file {name} version {version} is there already and never changes. "
            "Give yours the next version."
        )
    if version < FIRST_OWN_VERSION:
        return (
            f"Versions of a unit's own begin at {FIRST_OWN_VERSION}; those below are for "
            f"releases of the program. Number {name} {FIRST_OWN_VERSION} or higher."
        )
    return ""


def approve_rule_file(
    store: UnitStore,
    name: str,
    version: int,
    *,
    by: str,
    from_on: str,
    on: str,
    chance: Chance,
    although_withdrawn: bool = False,
) -> ReleaseLine:
    """Record one person's approval of the bytes held here, to count from a day.

    Parameters
    ----------
    from_on : str
        Civil date from which this approval counts; today or later.
    on : str
        Today.
    although_withdrawn : bool
        The person knows that the hub has withdrawn it, and approves it all the same (WD5).

    Raises
    ------
    NotAllowedError
        No such file, a day that is none or has passed, the person may not, or has approved it
        already; or the hub has withdrawn it, and nobody was asked.
    """
    if not is_civil_date(from_on) or from_on < on:
        message = f"{from_on} is no date from today on. Give a day such as {on}."
        raise NotAllowedError(message)
    with store.transaction():
        person = _person(store, by)
        content = _held(store, name, version)
        sha256 = hashlib.sha256(content).hexdigest()
        for release in read_unit_rules(store).releases:
            if (release.name, release.version) == (name, version) and any(
                one.by == by and one.sha256 == sha256 for one in release.approvals
            ):
                message = (
                    f"{by} has approved {name} version {version}. A second person is needed; one "
                    "of the two is an endoscopist."
                )
                raise NotAllowedError(message)
        because = "approved"
        for one in find_withdrawn(store, on=on):
            if (one.name, one.version) != (name, version):
                continue
            if not although_withdrawn:
                message = (
                    f"The hub has withdrawn {name} version {version}: {one.because.rstrip('.')}. "
                    "Who approves it all the same says so: --although-withdrawn."
                )
                raise NotAllowedError(message)
            because = "approved although the hub had withdrawn it"
        fields = {
            "file": {"name": name, "version": version},
            "approval": {"by": by, **person, "sha256": sha256, "from_on": from_on},
        }
        record = record_of(name, version)
        over = _references(store.views.state_of(record), "file")
        write_as_server(store, record, fields, by=by, because=because, chance=chance, over=over)
    return _line(store, name, version, on=on)


def retire_rule_file(
    store: UnitStore, name: str, version: int, *, by: str, on: str, chance: Chance
) -> ReleaseLine:
    """Take a version out of force from a day; old cases keep the version that they pinned.

    Raises
    ------
    NotAllowedError
        No such file, or the person may not.
    """
    with store.transaction():
        _person(store, by)
        _held(store, name, version)
        record = record_of(name, version)
        fields = {"file": {"name": name, "version": version}, "retired_on": on}
        over = _references(store.views.state_of(record), "file", "retired_on")
        write_as_server(store, record, fields, by=by, because="retired", chance=chance, over=over)
    return _line(store, name, version, on=on)


def go_live(store: UnitStore, *, by: str, on: str, chance: Chance) -> None:
    """End training: from now on only approved rule files compute (RL5).

    Raises
    ------
    NotAllowedError
        The store holds training patients, a listed rule file is not approved, or the unit is
        live already. Nothing is written.
    """
    with store.transaction():
        _person(store, by)
        rules = read_unit_rules(store)
        if not rules.is_training:
            message = "This unit is live already."
            raise NotAllowedError(message)
        if any(store.views.of_kind(kind) for kind in _NOT_LIVE_KINDS):
            message = (
                "This store holds training patients and cannot go live. "
                "Start with an empty data folder."
            )
            raise NotAllowedError(message)
        book = RuleBook(contents_of(rules), on=on, releases=rules.releases, is_training=False)
        missing = [name for name in read_listing(packaged_contents()) if not book.has(name)]
        if missing:
            message = (
                f"{len(missing)} rule files are not in force, the first is {missing[0]}. "
                "Two people approve each, one of them an endoscopist: crura rules approve."
            )
            raise NotAllowedError(message)
        sites = store.views.of_kind("site")
        record = sites[0].record if sites else f"site/{chance.new_id}"
        fields = {"live_from": on}
        write_as_server(store, record, fields, by=by, because="the unit went live", chance=chance)


def record_of(name: str, version: int) -> str:
    """Return the record of a release: the name for people, the version, and a mark of the name.

    Two names that differ only in ``_``, ``-`` or ``/`` must never share a record.
    """
    plain = "".join(letter if letter.isalnum() else "-" for letter in name)[:32]
    return f"{RELEASE_KIND}/{plain}-v{version}-{hashlib.sha256(name.encode()).hexdigest()[:12]}"


def _bare(name: str, version: int, content: bytes) -> Release:
    return Release(name=name, version=version, sha256=hashlib.sha256(content).hexdigest())


def _held(store: UnitStore, name: str, version: int) -> bytes:
    held = contents_of(read_unit_rules(store))
    content = held.get(f"{name}.v{version}.json")
    if content is None:
        message = f"There is no rule file {name} version {version}. List them: crura rules list."
        raise NotAllowedError(message)
    return content


def _line(store: UnitStore, name: str, version: int, *, on: str) -> ReleaseLine:
    lines = list_rule_files(store, on=on)
    return next(line for line in lines if (line.name, line.version) == (name, version))


def _person(store: UnitStore, by: str) -> dict[str, str]:
    """Return name and role of an active person who may approve."""
    state = store.views.state_of(by) if by.startswith("staff/") else None
    name, role, active = (
        shown_value(state.fields.get(field)) if state else None
        for field in ("name", "role", "active")
    )
    if not isinstance(name, str) or not isinstance(role, str) or active is not True:
        message = f"{by} is no active member of staff. Add the person: crura staff add."
        raise NotAllowedError(message)
    if role not in _APPROVING_ROLES:
        message = f"{name} is {role}. Rule files are for {', '.join(_APPROVING_ROLES)}."
        raise NotAllowedError(message)
    return {"name": name, "role": role}


def _references(state: RecordState | None, *fields: str) -> dict[str, tuple[str, ...]]:
    if state is None:
        return {}
    return {name: state.fields[name].references for name in fields if name in state.fields}
