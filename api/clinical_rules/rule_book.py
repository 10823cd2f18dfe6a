"""All rule files of a unit on one day: which version of each is in force. Opens no file."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_file import Row, RuleFile, read_rule_file
from api.clinical_rules.rule_release import Release, day_in_force, judge_release

IN_FORCE = "in_force.json"

RowT = TypeVar("RowT", bound=Row)


class _Listed(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    version: int
    from_on: str


class _Default(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    folder: str
    name: str


class _InForce(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    in_force: tuple[_Listed, ...]
    defaults: tuple[_Default, ...]


class RuleBook:
    """The rule files in force on one civil date.

    Parameters
    ----------
    contents : mapping of path to bytes
        Every rule file by its path below the data folder, and ``in_force.json``.
    on : str
        Civil date ``YYYY-MM-DD`` for which versions are chosen. Passed in by the caller.
    releases : sequence of Release
        What the unit has said of its rule files.
    is_training : bool
        In training every listed file counts, approved or not; else only what two people of the
        unit have approved (RL5).

    Raises
    ------
    RuleFileError
        ``in_force.json`` is missing, cannot be read, or lists a file that is not there.

    Notes
    -----
    Rules RF5, RF6, RL1-RL7. Pure: same contents and date, same answers.
    """

    def __init__(
        self,
        contents: Mapping[str, bytes],
        *,
        on: str,
        releases: Sequence[Release] = (),
        is_training: bool = True,
    ) -> None:
        if not is_civil_date(on):
            message = f"{on} is no date. Give the rule book a date such as 2026-03-01."
            raise RuleFileError(message)
        self.on = on
        self.is_training = is_training
        self._contents = dict(contents)
        self._read: dict[tuple[str, int, type], RuleFile[Row]] = {}
        listing = _read_in_force(self._contents)
        self._defaults = {one.folder: one.name for one in listing.defaults}
        self._listed = _choose(self._check(listing.in_force), on)
        self._why: dict[str, str] = {}
        released = self._take_releases(releases)
        if is_training:
            self._chosen = _choose([*listing.in_force, *released], on)
        else:
            self._chosen = _choose(released, on)

    @classmethod
    def pinned(
        cls,
        contents: Mapping[str, bytes],
        rule_files: Sequence[tuple[str, int, str]],
        *,
        on: str,
        is_training: bool = True,
    ) -> "RuleBook":
        """Return a book that holds exactly these versions: what an old answer was made by (RL6).

        Parameters
        ----------
        rule_files : sequence of (name, version, sha256)
            As an answer names them.

        Raises
        ------
        RuleFileError
            A version is not held here, or its bytes are others.
        """
        book = cls(contents, on=on, is_training=is_training)
        chosen = {}
        for name, version, sha256 in rule_files:
            path = f"{name}.v{version}.json"
            content = contents.get(path)
            if content is None or hashlib.sha256(content).hexdigest() != sha256:
                held = "is not held here" if content is None else "has other bytes here"
                message = f"Rule file {path} {held}. Add the file that the answer names."
                raise RuleFileError(message)
            chosen[name] = _Listed(name, version, on)
        book._chosen = book._listed = chosen
        return book

    def _check(self, listed: Sequence[_Listed]) -> Sequence[_Listed]:
        for one in listed:
            path = f"{one.name}.v{one.version}.json"
            if path not in self._contents or not is_civil_date(one.from_on):
                message = (
                    f"Rule file {IN_FORCE} lists {path} from {one.from_on}: the file is "
                    "missing or the date is none. Add the file or correct the line."
                )
                raise RuleFileError(message)
        return listed

    def _take_releases(self, releases: Sequence[Release]) -> list[_Listed]:
        """Return what the unit's releases put in force, and keep why the others are not."""
        taken = []
        for release in sorted(releases, key=lambda one: (one.name, one.version)):
            judgement = judge_release(release, on=self.on)
            if judgement.standing == "in force":
                from_on = day_in_force(release) or self.on
                taken.append(_Listed(release.name, release.version, from_on))
            elif self.is_training and judgement.standing != "retired":
                # In training what was proposed last is what people want to try.
                taken.append(_Listed(release.name, release.version, self.on))
            else:
                self._why[release.name] = f"version {release.version}: {judgement.why}"
        return taken

    def names(self, folder: str) -> tuple[str, ...]:
        """Return the names in force below a folder, sorted, such as ``follow_up/standard``."""
        return tuple(sorted(name for name in self._chosen if name.startswith(f"{folder}/")))

    def default_name(self, folder: str) -> str:
        """Return the name that stands for ``default`` in a folder.

        Raises
        ------
        RuleFileError
            ``in_force.json`` names no default for the folder.
        """
        if folder not in self._defaults:
            message = f"Rule file {IN_FORCE} names no default for {folder}. Add it there."
            raise RuleFileError(message)
        return self._defaults[folder]

    def version_of(self, name: str) -> int | None:
        """Return the version in force of a rule file, None where none is."""
        listed = self._chosen.get(name)
        return listed.version if listed else None

    def has(self, name: str) -> bool:
        """Say whether a version of the named rule file is in force."""
        return name in self._chosen

    def holds(self, name: str, version: int, sha256: str) -> bool:
        """Say whether the very bytes of a version are held here."""
        content = self._contents.get(f"{name}.v{version}.json")
        return content is not None and hashlib.sha256(content).hexdigest() == sha256

    def rule_file(self, name: str, row_type: type[RowT]) -> RuleFile[RowT]:
        """Return the version in force of a rule file, such as ``sizing/coil_counts``.

        Raises
        ------
        RuleFileError
            No version is in force on the date, the file cannot be read, or it is a draft or
            retired.
        """
        if name not in self._chosen:
            raise RuleFileError(self._explain_absence(name))
        return self.rule_file_version(name, self._chosen[name].version, row_type)

    def rule_file_or_listed(self, name: str, row_type: type[RowT]) -> RuleFile[RowT]:
        """Return the version in force, else the one that the release lists.

        For the order of the steps alone: an approval that is missing withholds numbers, never the
        place to record what people did (RL7, GATE-00).
        """
        listed = self._chosen.get(name) or self._listed.get(name)
        if listed is None:
            raise RuleFileError(self._explain_absence(name))
        return self.rule_file_version(name, listed.version, row_type)

    def _explain_absence(self, name: str) -> str:
        if self.is_training:
            return (
                f"No version of rule file {name} is in force on {self.on}. List one in {IN_FORCE}."
            )
        why = self._why.get(name, "nobody has approved it")
        return (
            f"Rule file {name} is not in force on {self.on} ({why}). No number without it: two "
            "people approve it, one of them an endoscopist."
        )

    def rule_file_version(self, name: str, version: int, row_type: type[RowT]) -> RuleFile[RowT]:
        """Return one version of a rule file, in force or not: what an old case pinned.

        Raises
        ------
        RuleFileError
            The version is missing or cannot be read.
        """
        key = (name, version, row_type)
        if key not in self._read:
            path = f"{name}.v{version}.json"
            if path not in self._contents:
                message = f"Rule file {path} is missing. Add it or pin another version."
                raise RuleFileError(message)
            read = read_rule_file(path, self._contents[path], row_type)
            chosen = self._chosen.get(name)
            if read.status in {"draft", "retired"} and chosen and chosen.version == version:
                message = (
                    f"Rule file {path} is listed in {IN_FORCE} but its status is {read.status}. "
                    "Take it off the list or approve it as a new version."
                )
                raise RuleFileError(message)
            self._read[key] = read  # type: ignore[assignment]
        return self._read[key]  # type: ignore[return-value]


def name_rule_files(*rule_files: RuleFile[Any]) -> list[dict[str, object]]:
    """Return what every answer carries of the rule files it used, in the order given (RF7)."""
    return [{"name": one.name, "version": one.version, "sha256": one.sha256} for one in rule_files]


def read_listing(contents: Mapping[str, bytes]) -> dict[str, int]:
    """Return the names that ``in_force.json`` lists, sorted, each with its highest version.

    Raises
    ------
    RuleFileError
        It is missing or cannot be read.
    """
    listed = sorted((one.name, one.version) for one in _read_in_force(contents).in_force)
    return dict(listed)


def _read_in_force(contents: Mapping[str, bytes]) -> _InForce:
    if IN_FORCE not in contents:
        message = f"Rule file {IN_FORCE} is missing. Add it beside the folders of rule files."
        raise RuleFileError(message)
    try:
        return msgspec.json.decode(contents[IN_FORCE], type=_InForce)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        message = f"Rule file {IN_FORCE} cannot be read ({error}). Correct it there."
        raise RuleFileError(message) from error


def _choose(listed: Sequence[_Listed], on: str) -> dict[str, _Listed]:
    """Return for each name the line whose day came last; of one day the highest version."""
    chosen: dict[str, _Listed] = {}
    for one in listed:
        known = chosen.get(one.name)
        if one.from_on <= on and (
            known is None or (known.from_on, known.version) <= (one.from_on, one.version)
        ):
            chosen[one.name] = one
    return chosen
