"""What is passed on of a label, in both engines, against biip 5.2.0 and a writer of codes.

Planted bugs that this caught: field 240 allowed one sign more than the standard has, the second of
two codes put before the first, round brackets in what a code holds, a label passed on that names
another lot than the record.
"""

import re

import pytest
import zxingcpp
from biip.gs1_application_identifiers import _GS1_APPLICATION_IDENTIFIERS
from biip.gs1_messages import GS1Message

from api.clinical_rules.device_label import read_device_label
from api.clinical_rules.gs1_elements import is_element, list_elements
from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.hibc_label import check_character
from api.clinical_rules.label_carrier import find_carrier
from api.documents.device_codes import draw_matrix
from tests.fuzz.chance import Chance
from tests.oracles.device_labels import FNC1, make_label
from tests.oracles.twin_functions import call_there
from tests.unit.api.twin_engine import assert_engines_agree

NUMBERS = (
    *("01", "10", "11", "12", "13", "15", "16", "17", "20", "21", "22", "30", "37"),
    *("240", "241", "250", "251", "710", "711", "712", "713", "714", "715", "716", "8012"),
    *(str(number) for number in range(90, 100)),
)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_field_may_hold_what_biip_lets_it_hold(number):
    """[DL12] At either end of its length; an empty count of 30 alone is stricter than biip."""
    pattern = _GS1_APPLICATION_IDENTIFIERS[number].pattern
    taken = 0
    for sign in ("7", "A", "(", "{"):
        for length in range(92):
            content = sign * length
            if number == "01" and length == 14:
                content = content[:13] + str(check_digit(content[:13])) if sign == "7" else content
            if number in ("11", "12", "13", "15", "16", "17") and sign == "7":
                content = "260228"[:length] + sign * (length - 6)
            ours = is_element(number, content)
            theirs = re.fullmatch(pattern, f"{number}{content}") is not None
            assert ours == (theirs and content != ""), (number, content)
            taken += ours
    assert taken


def test_no_number_of_the_standard_is_the_beginning_of_another_of_ours():
    """[DL12] Else a field could be parted in two ways."""
    for known in _GS1_APPLICATION_IDENTIFIERS:
        longer = [one for one in NUMBERS if one != known and known.startswith(one)]
        assert longer == []


def test_elements_are_those_of_biip_in_their_order_and_a_writer_of_codes_takes_them():
    """[DL12] 2,000 labels, most of them spoiled; what biip refuses is never passed on."""
    kept = 0
    for seed in range(2_000):
        label = make_label(seed)
        content = label.scanned[3:] if label.scanned.startswith("]") else label.scanned
        ours = list_elements(content) if content else None
        if not ours:
            continue
        theirs = GS1Message.parse(content.replace(FNC1 * 2, FNC1))
        said = [(one.ai.ai, one.value) for one in theirs.element_strings]
        assert list(dict.fromkeys(said)) == ours, label
        kept += 1
        draw_matrix("".join(f"[{number}]{held}" for number, held in ours))
    assert kept > 400


def test_the_line_below_a_code_is_read_as_the_code_and_as_biip_reads_it():
    """[DL13] Contents with a bracket are none that a line can tell.

    Caught: the last lot kept up to its first bracket, which is the name of another lot.
    """
    lines = []
    for seed in range(3_000):
        label = make_label(seed)
        content = label.scanned[3:] if label.scanned.startswith("]") else label.scanned
        elements = list_elements(content) or []
        if not elements or not read_device_label(content, today_on=label.today_on)["gtin"]:
            continue
        line = "".join(f"({number}){held}" for number, held in elements)
        ours = read_device_label(line, today_on=label.today_on)
        lines.append({"scanned": line, "today_on": label.today_on})
        if any(set(held) & set("()") for _, held in elements):
            torn = next(number for number, held in elements if set(held) & set("()"))
            name = {"10": "lot", "21": "serial"}.get(torn)
            assert name is None or ours[name] is None, line
            assert ours["problems"], line
            continue
        theirs = GS1Message.parse_hri(line)
        assert [(one.ai.ai, one.value) for one in theirs.element_strings] == elements
        known = ("The making date", "A field that begins with", "The date of", "The expiry date")
        assert all(one.startswith(known) for one in ours["problems"]), line
        said = dict(elements)
        assert (ours["gtin"], ours["lot"], ours["serial"]) == tuple(
            said.get(number) for number in ("01", "10", "21")
        )
    assert len(lines) > 400
    assert_engines_agree("device-label", lines)


def _draw_device(seed):
    """Return a device as a scan or a person makes it, and its identifier."""
    chance = Chance(seed)
    digits = "".join(chance.choices("0123456789", k=13))
    gtin = f"{digits}{check_digit(digits)}"
    lot = chance.choice(("L-1", "L(1)", "x" * 20, "", "L 1"))
    parts = [
        f"01{gtin}",
        chance.choice(("11250430", "1125043", "11251301")),
        chance.choice(("17280430", "17280400")),
        *([f"10{lot}{FNC1}"] if lot else []),
        chance.choice((f"240C-14{FNC1}", f"21S9{FNC1}", f"8005000123{FNC1}", "3100000123")),
    ]
    cut = chance.choice((0, 2, 5))
    codes = ["".join(one).removesuffix(FNC1) for one in (parts[:cut], parts[cut:]) if one]
    identifier = gtin
    if chance.holds(0.4):
        identifier = "A123BJC5D6E71"
        primary = f"+{identifier}"
        later = chance.choice((f"/$$3280430{lot.upper()}", "/$+S9", f"/${lot.upper()}/16D20250215"))
        link = check_character(primary)
        whole, second = f"{primary}{later}", f"+{later[1:]}{link}"
        codes = [whole + check_character(whole)] if _is_sound(whole) else [whole]
        if chance.holds(0.5) and _is_sound(second):
            codes = [f"{primary}{link}", second + check_character(second)]
    raw = "\n".join(chance.choice((codes, codes, codes[:1], codes[::-1], [])))
    told = {
        "lot": lot.upper() if identifier != gtin else lot,
        "serial": "S9" if "S9" in raw else None,
        "expires_on": "2028-04-30" if "280430" in raw or "280400" in raw else None,
        "raw_label": raw,
    }
    if identifier == gtin and raw.startswith("01") and chance.holds(0.3):
        fields = list_elements(raw.split("\n")[0]) or []
        told["raw_label"] = "".join(f"({number}) {held} " for number, held in fields)
    if chance.holds(0.5):
        told["lot"] = chance.choice(("other", None))
        told["serial"] = chance.choice((None, "S9"))
        told["expires_on"] = chance.choice(("2028-04-30", None, "2028-04-29", "none"))
        told["raw_label"] = chance.choice((raw, f"]d2{raw}", None))
    return {name: held for name, held in told.items() if held}, identifier


def _is_sound(code):
    return set(code) <= set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%")


def test_both_engines_pass_on_the_same_and_every_code_is_read_back():
    """[DL12] What a scanner reads from the code is what it says, fields parted where it parts them.

    A label of its own is passed on only where nothing in the record contradicts it.
    """
    devices = [_draw_device(seed) for seed in range(600)]
    there = call_there("src/clinical-rules/label-carrier.ts", "findCarrier", devices)
    own = 0
    for (device, identifier), other in zip(devices, there, strict=True):
        here = find_carrier(device, identifier)
        assert {"readable": here.readable, "code": here.code} == other, (device, identifier)
        draw_matrix(here.code)
        made = zxingcpp.create_barcode(
            here.code, zxingcpp.BarcodeFormat.DataMatrix, gs1=here.code.startswith("[")
        )
        (read,) = zxingcpp.read_barcodes(zxingcpp.write_barcode_to_image(made, scale=3))
        assert read.text == here.code.replace("[", "(").replace("]", ")")
        if "(11)" in here.readable or "/" in here.code:
            own += 1
        lot = re.search(r"\[10\]([^\[]*)", here.code)
        assert lot is None or lot[1] == device["lot"], (device, identifier)
    assert own > 100
