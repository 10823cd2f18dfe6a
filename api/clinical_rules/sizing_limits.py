"""Factors and limits of sizing, and where each number of an answer comes from."""

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.geometry import BASIS
from api.clinical_rules.rule_file import Amount, Row, RuleFile, Words, path_of

# Which limit a number of the answer comes from.
_PARTS = {
    "loop_band_um": "loop_low_per_mille",
    "needle_stop_um": "stop_margin_um",
    "aliquot_ul": "aliquot_ul",
    "aliquot_ms": "aliquot_ms_per_ml",
    "soft_limit_ul": "soft_limit_ul",
    "second_person_ul": "second_person_ul",
}


class LimitRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One factor or limit by name."""

    item: Words
    amount: Amount


class Limits(dict[str, int]):
    """The amount of each item of ``sizing/limits``; one that is missing is a fault of the file."""

    def __init__(self, limits: RuleFile[LimitRow]) -> None:
        super().__init__({row.item: row.amount for row in limits.rows})
        self._path = path_of(limits)
        self._rows = {row.item: row for row in limits.rows}

    def __missing__(self, item: str) -> int:
        message = f"Rule file {self._path} has no item {item}. Add it."
        raise RuleFileError(message)

    def name_basis(self) -> dict[str, dict[str, object]]:
        """Return the standing and source of every number that no row of the answer carries."""
        rows = [(part, self._rows.get(item, Row())) for part, item in _PARTS.items()]
        named: dict[str, dict[str, object]] = {
            part: {"basis": row.basis, "source": row.source} for part, row in rows
        }
        for part, (basis, source) in BASIS.items():
            named[part] = {"basis": basis, "source": source}
        return named
