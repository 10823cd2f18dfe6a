"""All rule files of a unit on one day: which version of each is in force. Opens no file."""

from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_file import Row, RuleFile, read_rule_file

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

    Raises
    ------
    RuleFileError
        ``in_force.json`` is missing, cannot be read, or lists a file that is not there.

    Notes
    -----
    Rules RF5 and RF6. Pure: same contents and date, same answers.
    """

    def __init__(self, contents: Mapping[str, bytes], *, on: str) -> None:
        if not is_civil_date(on):
            message = f"{on} is no date. Give the rule book a date such as 2026-03-01."
            raise RuleFileError(message)
        self.on = on
        self._contents = dict(contents)
        self._read: dict[tuple[str, int, type], RuleFile[Row]] = {}
        listing = _read_in_force(self._contents)
        self._chosen: dict[str, _Listed] = {}
        for listed in listing.in_force:
            path = f"{listed.name}.v{listed.version}.json"
            if path not in self._contents or not is_civil_date(listed.from_on):
                message = (
                    f"Rule file {IN_FORCE} lists {path} from {listed.from_on}: the file is "
                    "missing or the date is none. Add the file or correct the line."
                )
                raise RuleFileError(message)
            known = self._chosen.get(listed.name)
            if listed.from_on <= on and (known is None or known.from_on <= listed.from_on):
                self._chosen[listed.name] = listed
        self._defaults = {one.folder: one.name for one in listing.defaults}

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

    def has(self, name: str) -> bool:
        """Say whether a version of the named rule file is in force."""
        return name in self._chosen

    def rule_file(self, name: str, row_type: type[RowT]) -> RuleFile[RowT]:
        """Return the version in force of a rule file, such as ``sizing/coil_counts``.

        Raises
        ------
        RuleFileError
            No version is in force on the date, the file cannot be read, or it is a draft or
            retired.
        """
        if name not in self._chosen:
            message = (
                f"No version of rule file {name} is in force on {self.on}. List one in {IN_FORCE}."
            )
            raise RuleFileError(message)
        return self.rule_file_version(name, self._chosen[name].version, row_type)

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


def _read_in_force(contents: Mapping[str, bytes]) -> _InForce:
    if IN_FORCE not in contents:
        message = f"Rule file {IN_FORCE} is missing. Add it beside the folders of rule files."
        raise RuleFileError(message)
    try:
        return msgspec.json.decode(contents[IN_FORCE], type=_InForce)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        message = f"Rule file {IN_FORCE} cannot be read ({error}). Correct it there."
        raise RuleFileError(message) from error
