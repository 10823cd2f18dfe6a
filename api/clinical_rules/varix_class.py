"""Class of gastric varices by place and continuity, and of their size by the short axis."""

from collections.abc import Collection
from decimal import Decimal

from api.clinical_rules.bands import BandRow, find_band, refuse_band_faults
from api.clinical_rules.errors import ShapeError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import RuleFile, path_of
from api.clinical_rules.shapes import flag, list_of, natural_number, shape, text

SITES = ("lesser-curve", "fundus", "body", "antrum", "duodenum")
UNCLASSIFIED = "unclassified"
CLASSES = ("GOV1", "GOV2", "GOV1+GOV2", "IGV1", "IGV2", UNCLASSIFIED)
SIZE_CLASSES = "varix_class/size_classes"
_UM_PER_MM = 1000
_SEEN = ("is_continuous", "sites")
_CONTINUOUS = {
    frozenset({"lesser-curve"}): "GOV1",
    frozenset({"fundus"}): "GOV2",
    frozenset({"lesser-curve", "fundus"}): "GOV1+GOV2",
}


class SizeClassRow(BandRow, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The name of one band of the short axis, in millimetres."""

    size: str


def answer_varix_class(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return class and size class of a varix.

    Parameters
    ----------
    request : object
        Parsed JSON, all of it optional: ``is_continuous`` (null: not seen), ``sites`` and
        ``short_axis_um``.
    rule_book : RuleBook
        Holds ``varix_class/size_classes``, asked only where an axis is given.

    Returns
    -------
    dict
        ``varix_class``, ``size_class`` (a word, or what it lacks), ``basis``, ``inputs``,
        ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or a site is not among `SITES`.

    Notes
    -----
    Rules VC1-VC6. Pure.
    """
    read = shape(
        {}, {"is_continuous": flag, "sites": list_of(text), "short_axis_um": natural_number}
    )(request, "")
    basis: dict[str, object] = {
        "varix_class": {
            "basis": "published",
            "source": "Sarin 1992, Hepatology 16:1343-9, as tabulated by Singh 2021",
        }
    }
    inputs: dict[str, list[str]] = {"varix_class": [key for key in _SEEN if key in read]}
    answer: dict[str, object] = {
        "varix_class": classify_varix(read.get("is_continuous"), read.get("sites", [])),
        "size_class": {"missing": ["short_axis_um"]},
        "basis": basis,
        "inputs": inputs,
        "rule_files": [],
    }
    if "short_axis_um" in read:
        sizes, row = _find_size(read["short_axis_um"], rule_book)
        answer["size_class"] = row.size
        basis["size_class"] = {"basis": row.basis, "source": row.source}
        inputs["size_class"] = ["short_axis_um"]
        answer["rule_files"] = name_rule_files(sizes)
    return answer


def find_size_class(short_axis_um: int, rule_book: RuleBook) -> str:
    """Return small, medium or large.

    Parameters
    ----------
    short_axis_um : int
        Short axis in micrometres.
    rule_book : RuleBook
        Holds ``varix_class/size_classes``.

    Raises
    ------
    RuleFileError
        No version is in force, or its bands leave a gap or overlap.

    Notes
    -----
    Rules VC4 and VC5: derived from the axis whenever it is shown, never stored.
    """
    return _find_size(short_axis_um, rule_book)[1].size


def _find_size(
    short_axis_um: int, rule_book: RuleBook
) -> tuple[RuleFile[SizeClassRow], SizeClassRow]:
    sizes = rule_book.rule_file(SIZE_CLASSES, SizeClassRow)
    refuse_band_faults(path_of(sizes), "the short axis", sizes.rows)
    return sizes, find_band(sizes.rows, Decimal(short_axis_um) / _UM_PER_MM)


def classify_varix(is_continuous: bool | None, sites: Collection[str]) -> str:
    """Return GOV1, GOV2, GOV1+GOV2, IGV1, IGV2 or unclassified.

    Parameters
    ----------
    is_continuous : bool or None
        Whether the varices go on from those of the oesophagus; None when it was not seen.
    sites : collection of str
        Where they lie, among `SITES`; the fundus includes the greater curve toward it.

    Raises
    ------
    ShapeError
        A site is not among `SITES`.

    Notes
    -----
    Rules VC1-VC3. Pure. In a series of 400 patients 10.5 % fitted no class (Singh 2021,
    J Dig Endosc 12:24-30), so what does not fit is never forced into one.

    References
    ----------
    Sarin 1992, Hepatology 16:1343-9, as tabulated by Singh 2021.

    Examples
    --------
    >>> classify_varix(True, ["lesser-curve", "fundus"])
    'GOV1+GOV2'
    """
    for site in sites:
        if site not in SITES:
            message = f"{site} is no site. Take one of {', '.join(SITES)}."
            raise ShapeError(message)
    found = frozenset(sites)
    if is_continuous is None or not found:
        return UNCLASSIFIED
    if is_continuous:
        return _CONTINUOUS.get(found, UNCLASSIFIED)
    if found == {"fundus"}:
        return "IGV1"
    return UNCLASSIFIED if found & {"fundus", "lesser-curve"} else "IGV2"
