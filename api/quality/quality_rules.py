"""The rules of data quality as data: what each tells, how grave it is, and who mends it. Pure."""

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Literal

import msgspec

Severity = Literal["stop", "caution", "note"]
Fixer = Literal["data-manager", "endoscopist", "assistant", "booking"]
Basis = Literal["published", "common-practice", "from-memory", "derived", "unit-setting"]
# What one finding of a rule is; `device` is a coil, an aliquot of adhesive or a needle.
Counted = Literal[
    "case",
    "patient",
    "pair",
    "conflict",
    "visit",
    "look",
    "laboratory",
    "target",
    "act",
    "device",
    "coil",
    "aliquot",
]


class QualityRuleError(Exception):
    """The file contradicts itself; the text names the row to correct."""


class QualityRule(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One rule: its id, how grave a finding is, whose role mends it, and what to do (DQ1).

    Parameters
    ----------
    counts : str
        What one finding is: a case, a device that was used, a pair, and so on.
    finding : str
        What is wrong, one sentence that is true wherever it is read.
    act : str
        What is done about it, at the unit: a hub mends no record.
    """

    rule: str
    counts: Counted
    severity: Severity
    fixer: Fixer
    finding: str
    act: str
    source: str
    basis: Basis

    @property
    def sentence(self) -> str:
        """What is wrong and what to do, for who mends it."""
        return f"{self.finding} {self.act}"


class WantedField(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One field that a complete case has (DQ3).

    Parameters
    ----------
    kind : str
        Of the records of the case that hold it; ``patient`` is the patient of the case.
    path : tuple of str
        The field, and the part of a structure.
    where : str
        Of laboratory results: which analyte.
    is_every : bool
        Each record of the kind has to have it, and a case without one is not asked; else one of
        them is enough.
    """

    field: str
    kind: str
    path: tuple[str, ...]
    where: str = ""
    is_every: bool = False


class QualityRules(msgspec.Struct, frozen=True):
    """The rules by id and the wanted fields, in the order of the file."""

    version: int
    rules: Mapping[str, QualityRule]
    fields: tuple[WantedField, ...]


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    version: int
    rules: tuple[QualityRule, ...]
    completeness: tuple[WantedField, ...]
    note: str


def read_quality_rules(content: bytes) -> QualityRules:
    """Return the rules that the bytes of `quality_rules.json` hold.

    Raises
    ------
    QualityRuleError
        A row is of another shape, or an id stands twice.
    """
    try:
        file = msgspec.json.decode(content, type=_File)
    except msgspec.MsgspecError as error:
        message = f"quality_rules.json cannot be read ({error}). Correct it there."
        raise QualityRuleError(message) from error
    rules = {one.rule: one for one in file.rules}
    if len(rules) != len(file.rules):
        raise QualityRuleError("A rule of quality_rules.json stands twice. Remove one.")
    if len({one.field for one in file.completeness}) != len(file.completeness):
        raise QualityRuleError("A field of quality_rules.json stands twice. Remove one.")
    return QualityRules(file.version, rules, file.completeness)


@cache
def packaged_quality_rules() -> QualityRules:
    """Return the rules that this release carries."""
    return read_quality_rules((resources.files("api.quality") / "quality_rules.json").read_bytes())
