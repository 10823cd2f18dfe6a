"""Random cases as `make_case_bundle` takes them: sound ones, doubtful ones, and odd texts."""

import datetime
from typing import Any

from tests.fuzz.chance import TEXTS, Chance

_EPOCH_MS = 1_773_000_000_000
_UNITS = ("mg/dL", "umol/L", "g/L", "g/dL", "mmol/L", "ratio", "10*9/L", "furlong", "")
_ANALYTES = ("bilirubin", "albumin", "creatinine", "inr", "sodium", "platelets", "urea", "")
_STAGES = ("workup", "planned", "in-procedure", "closing", "closed", "__proto__")
_STATUS = ("to-book", "booked", "attended", "no-show", "cancelled", "ended", "constructor")
_STAFF = ("staff/wren", "staff/otis", "staff/nobody", "")


def draw_case(chance: Chance) -> dict[str, Any]:
    """Return a request."""
    return {
        "made_ms": chance.choice((_EPOCH_MS, 0, -1, 253_402_300_800_000)),
        "case": _record(
            chance,
            "case/c-1",
            patient="patient/p-1",
            stage=chance.choice(_STAGES),
            procedure_on=_day(chance),
            indication=chance.choice(("acute-bleed", "", 7, None)),
            varix_class=chance.choice(("GOV2", "GOV1+GOV2", "", _text(chance))),
            imported_in=chance.choice((None, None, "past_import/i-1")),
        ),
        "patient": _patient(chance) if chance.holds(0.9) else None,
        "records": [_under(chance, number) for number in range(chance.choice((0, 1, 4, 9)))],
        "visits": [_visit(chance, number) for number in range(chance.choice((0, 1, 3)))],
        "staff": [_record(chance, "staff/wren", name=_text(chance))],
    }


def _record(chance: Chance, record: str, **fields: Any) -> dict[str, Any]:
    is_struck = chance.holds(0.1)
    values = {
        name: [value] if chance.holds(0.85) else [value, chance.choice((_text(chance), 3, True))]
        for name, value in fields.items()
        if value is not None and chance.holds(0.9) and not is_struck
    }
    return {
        "record": record,
        "values": values,
        "is_struck": is_struck,
        "by": "" if is_struck else chance.choice(_STAFF),
        "at_ms": 0 if is_struck else _EPOCH_MS + chance.randint(0, 10**10),
    }


def _patient(chance: Chance) -> dict[str, Any]:
    return _record(
        chance,
        "patient/p-1",
        family_name=_text(chance),
        given_name=_text(chance),
        born_on=_day(chance),
        sex=chance.choice(("female", "male", "other")),
        local_id=_text(chance),
    )


def _under(chance: Chance, number: int) -> dict[str, Any]:
    kind = chance.choice(
        (
            *("lab_result", "target", "coil_placed", "adhesive_injected", "puncture"),
            *("flush", "complication", "sign_off", "package_opened", "package_opened"),
        )
    )
    fields: dict[str, Any] = {"case": "case/c-1", "at": _at(chance)}
    if kind == "lab_result":
        fields["analyte"] = chance.choice(_ANALYTES)
        fields["result"] = {
            **chance.maybe("value_milli", chance.choice((1, 999, 34_000, 2**53 - 1, "x")), 0.9),
            **chance.maybe("unit", chance.choice(_UNITS), 0.9),
            **chance.maybe("origin", chance.choice(("measured", "earlier-record"))),
            **chance.maybe("taken_on", _day(chance)),
        }
    elif kind == "target":
        fields["label"] = _text(chance)
        fields["size"] = {
            **chance.maybe("short_axis_um", chance.randint(0, 60_000)),
            **chance.maybe("long_axis_um", chance.randint(0, 60_000)),
            **chance.maybe("modality", chance.choice(("ultrasound", "ct"))),
            **chance.maybe("origin", "measured-on-image"),
        }
    elif kind in ("coil_placed", "adhesive_injected"):
        fields["device"] = _device(chance)
        fields["coil"] = {"loop_um": 15_000, "wire_um": 889, "length_um": chance.randint(0, 10**6)}
        fields["amount"] = {"agent": "other", "mix_ul": 1_234, "parts_adhesive": 1, "parts_oil": 2}
        fields.pop("amount" if kind == "coil_placed" else "coil")
        fields["package"] = f"package_opened/r-{chance.randint(0, 8)}"
        if chance.holds(0.4):
            fields["device"] = chance.choice((None, {}))
    elif kind == "package_opened":
        fields["item"] = chance.choice(("coil", "adhesive", "adhesive"))
        fields["fate"] = chance.choice((None, "used", "open", "returned", "discarded"))
        fields["device"] = chance.choice((None, {}, {"lot": "L-1"}, _device(chance)))
    elif kind == "complication":
        fields["what"] = chance.choice(("none", "bleeding", "needle-stuck", ""))
        fields["note"] = _text(chance)
    elif kind == "sign_off":
        fields["digest"] = chance.choice(("0af3" * 16, "no digest", ""))
    return _record(chance, f"{kind}/r-{number}", **fields)


_LABELS = (
    "0104000001000128\x1d10L-1",
    "]d201040000010001281124123110L-1\x1d17280400",
    "0104000001000128\n1124123110L-1",
    "+A999123457\n+$$3270228L-17-",
    "+A99912345/$L-1/16D202502156",
)


def _device(chance: Chance) -> dict[str, Any]:
    return {
        **chance.maybe("identifier", chance.choice(("04000001000128", "A99912345", "x"))),
        **chance.maybe("lot", chance.choice(("L-1", *TEXTS))),
        **chance.maybe("lot_unknown", chance.choice((True, False)), 0.2),
        **chance.maybe("serial", _text(chance), 0.4),
        **chance.maybe("expires_on", _day(chance)),
        **chance.maybe("raw_label", chance.choice((*_LABELS, *TEXTS)), 0.5),
    }


def _visit(chance: Chance, number: int) -> dict[str, Any]:
    start = _EPOCH_MS + chance.randint(0, 10**10)
    slot = {"starts_ms": start, "ends_ms": start + 1_800_000, "place": _text(chance)}
    window = {
        name: _day(chance)
        for name in ("earliest_on", "target_on", "latest_on")
        if chance.holds(0.8)
    }
    told = _record(
        chance,
        f"visit/v-{number}",
        label=_text(chance),
        status=chance.choice(_STATUS),
        ended_because=chance.choice(("died", "case-retracted")),
        window=window,
        elsewhere=chance.choice((None, None, {"on": "2026-03-01"})),
    )
    return {**told, "slot": chance.choice((slot, None))}


def _text(chance: Chance) -> str:
    return chance.choice(("Larkwater", "Varix A", *TEXTS))


def _day(chance: Chance) -> str:
    day = datetime.date(2026, 3, 1) + datetime.timedelta(days=chance.randint(-400, 400))
    return chance.choice((day.isoformat(), day.isoformat(), day.isoformat(), "2026-02-30", ""))


def _at(chance: Chance) -> str:
    hour = chance.randint(0, 23)
    return chance.choice(
        (
            f"2026-03-16T{hour:02}:10:00+00:00",
            f"2026-03-16T{hour:02}:10:00.250+05:45",
            f"2026-03-16T{hour:02}:10Z",
            "yesterday",
        )
    )
