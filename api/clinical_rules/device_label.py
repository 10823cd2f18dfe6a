"""Reads the code on a device package: GS1 or HIBC. Nothing is repaired; the raw text is kept."""

from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.gs1_label import read_gs1_label
from api.clinical_rules.gs1_line import read_gs1_line
from api.clinical_rules.hibc_label import read_hibc_label
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.shapes import civil_date, shape, text

_PREFIX_LENGTH = 3
_GS1_PREFIXES = frozenset({"]d2", "]C1", "]Q3", "]e0", "]J1"})
_LONGEST = 500
_DIGITS = frozenset("0123456789")
# Characters beyond this one count as one in one engine and as two in the other.
_LAST = "\uffff"

_READ_REQUEST = shape({"scanned": text, "today_on": civil_date})


def answer_device_label(request: object, _rule_book: RuleBook) -> dict[str, object]:
    """Return what the code on a package says of the device.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``device-label`` in RULES.md.
    _rule_book : RuleBook
        Not used: the standards themselves are the rules here.

    Returns
    -------
    dict
        ``symbology``, ``gtin`` or ``hibc_identifier``, ``lot``, ``serial``, ``made_on``,
        ``expires_on``, ``expired`` (None without an expiry date), ``raw`` and ``problems``. A
        field with a problem is None.

    Raises
    ------
    ShapeError
        A key or type is wrong.
    CalculationRefusedError
        The text is neither a GS1 nor an HIBC code.

    Notes
    -----
    Rules DL1-DL10. Pure: `today_on` is an argument.
    """
    read = _READ_REQUEST(request, "")
    return read_device_label(read["scanned"], today_on=read["today_on"])


def read_device_label(scanned: str, *, today_on: str) -> dict[str, object]:
    """Return what `answer_device_label` does, for a text that is already at hand.

    Raises
    ------
    CalculationRefusedError
        The text is neither a GS1 nor an HIBC code.
    """
    has_prefix = scanned.startswith("]")
    prefix = scanned[:_PREFIX_LENGTH] if has_prefix else ""
    content = scanned[len(prefix) :]
    is_hibc = content.startswith("+") and prefix not in _GS1_PREFIXES
    is_line = content.startswith("(") and not has_prefix
    is_code = content[:1] in _DIGITS and (prefix in _GS1_PREFIXES or not has_prefix)
    is_readable = len(scanned) <= _LONGEST and all(character <= _LAST for character in scanned)
    if not is_readable or not (is_hibc or is_line or is_code):
        sentence = "This is no GS1 or HIBC code. Scan the code that names device, lot and expiry."
        raise CalculationRefusedError(
            sentence, {"raw": scanned, "problems": [sentence], "rule_files": []}
        )
    if is_hibc:
        fields = read_hibc_label(content, today_on=today_on)
    elif is_line:
        fields = read_gs1_line(content, today_on=today_on)
    else:
        fields = read_gs1_label(content, today_on=today_on)
    if fields.identifier is None and not fields.problems:
        fields.problems.append("The code names no device. Scan the other code of the package too.")
    expires_on = fields.expires_on
    if fields.made_on is not None and fields.made_on > min(today_on, expires_on or today_on):
        fields.problems.append(
            f"The making date {fields.made_on} lies after today or after the expiry date. Check "
            "the package."
        )
    return {
        "symbology": "hibc" if is_hibc else "gs1",
        "hibc_identifier" if is_hibc else "gtin": fields.identifier,
        "lot": fields.lot,
        "serial": fields.serial,
        "made_on": fields.made_on,
        "expires_on": expires_on,
        "expired": None if expires_on is None else expires_on < today_on,
        "raw": scanned,
        "problems": fields.problems,
        "rule_files": [],
    }
