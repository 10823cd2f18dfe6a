"""Coils and adhesive as FHIR R4B Device: what was left in the patient, by label. Pure.

Twin of `pwa/src/clinical-rules/fhir-devices.ts`. Elements: HL7 FHIR 4.3.0, Device. Adhesive and
mix are never one number (HAZ-04): the mix has an amount, its parts stand beside it.
"""

import re
from collections.abc import Sequence

from api.clinical_rules.label_carrier import Carrier, find_carrier, find_making_day, is_hibc
from api.documents.fhir_parts import (
    Resource,
    Told,
    amount,
    clean,
    concept,
    notes,
    refer,
    write_base64,
    write_instant,
)
from api.documents.opaque_id import opaque_id

KINDS = ("coil_placed", "adhesive_injected")
_ITEM = {"coil_placed": "coil", "adhesive_injected": "adhesive"}
_COIL = (("loop_um", "loop diameter"), ("wire_um", "wire diameter"), ("length_um", "length"))
_GS1 = "http://hl7.org/fhir/NamingSystem/gs1-di"
# As the definition of Device.udiCarrier.issuer has it, its large letter included.
_HIBC = "http://hl7.org/fhir/NamingSystem/hibcc-dI"
_GTIN = re.compile(r"[0-9]{14}")
_READ = ("case", "target", "coil", "amount", "device")
_UNUSED = ("open", "returned")
_LENT = "The label is that of the package that was opened."


def write_device(told: Told, patient: str, packages: Sequence[Told] = ()) -> Resource:
    """Return an implant as Device; one that was struck keeps its id and nothing else.

    Parameters
    ----------
    patient : str
        Record of the patient, "" where none is shown.
    packages : sequence of Told
        Packages opened in the case: one lends its label to an implant that has none (FH8).
    """
    base: Resource = {
        "resourceType": "Device",
        "id": opaque_id(told.record),
        "status": "entered-in-error" if told.is_struck else "active",
    }
    subject = {"patient": refer(patient)} if patient else {}
    kind = concept("package_opened.item", _ITEM[told.kind])
    if told.is_struck:
        return {**base, "type": kind, **subject}
    lender = None if _has_label(told) else _find_lender(told, packages)
    told = told.borrow("device", lender) if lender else told
    return {
        **_udi(told),
        **base,
        **_label(told),
        "type": kind,
        **_properties(told),
        **subject,
        **notes([_LENT if lender else "", *_lot_note(told), *told.doubts(_READ)]),
    }


def _has_label(told: Told) -> bool:
    return told.has_doubt("device") or bool(told.parts("device"))


def _find_lender(told: Told, packages: Sequence[Told]) -> Told | None:
    """Return the package that a coil names; of adhesive one of those used, if all bear one label.

    What only lay ready or went back unopened was not injected.
    """
    if told.kind == "coil_placed":
        named = told.shown("package")
        found = [one for one in packages if one.record == named]
    else:
        found = [
            one
            for one in packages
            if one.shown("item") == "adhesive" and one.shown("fate") not in _UNUSED
        ]
    standing = [one for one in found if not one.is_struck]
    labels = {one.canonical("device") for one in standing}
    return standing[0] if len(labels) == 1 and _has_label(standing[0]) else None


def _udi(told: Told) -> Resource:
    identifier, raw = told.text("device", "identifier"), told.raw("device", "raw_label")
    # What is no identification of a standard stands as it was read.
    readable = clean(_carrier_of(told).readable) or told.text("device", "raw_label")
    carrier: Resource = {}
    if identifier:
        carrier["deviceIdentifier"] = identifier
        if _GTIN.fullmatch(identifier):
            carrier["issuer"] = _GS1
        elif is_hibc(identifier):
            carrier["issuer"] = _HIBC
    # A line with brackets was typed from below the code: no bytes were read.
    is_scanned = raw != "" and not raw.startswith("(")
    if is_scanned:
        carrier["carrierAIDC"] = write_base64(raw.encode())
    if readable:
        carrier["carrierHRF"] = readable
    if not carrier:
        return {}
    carrier["entryType"] = "barcode" if is_scanned else "manual"
    return {"udiCarrier": [carrier]}


def _carrier_of(told: Told) -> Carrier:
    return find_carrier(told.parts("device"), told.text("device", "identifier"))


def _label(told: Told) -> Resource:
    on = write_instant(told.at_ms)[:10]
    found = {
        # The century is that of the day on which the label was entered.
        "manufactureDate": find_making_day(_carrier_of(told), today_on=on) if on else "",
        "expirationDate": told.day("device", "expires_on"),
        "lotNumber": told.text("device", "lot"),
        "serialNumber": told.text("device", "serial"),
    }
    return {name: text for name, text in found.items() if text}


def _lot_note(told: Told) -> list[str]:
    is_unknown = told.parts("device").get("lot_unknown") is True
    return ["The lot is not known."] if is_unknown else []


def _properties(told: Told) -> Resource:
    found = [
        {"type": {"text": words}, "valueQuantity": [amount(size, "mm")]}
        for part, words in _COIL
        if (size := told.whole("coil", part)) is not None
    ]
    mix = told.whole("amount", "mix_ul")
    if mix is not None:
        found.append({"type": {"text": "mix injected"}, "valueQuantity": [amount(mix, "mL")]})
    agent = told.text("amount", "agent")
    if agent:
        found.append(_worded("agent", concept("adhesive_injected.amount.agent", agent)))
    adhesive, oil = told.whole("amount", "parts_adhesive"), told.whole("amount", "parts_oil")
    if adhesive is not None and oil is not None:
        ratio = f"{adhesive} : {oil}"
        found.append(_worded("parts of adhesive to parts of oil", {"text": ratio}))
    return {"property": found} if found else {}


def _worded(words: str, value: Resource) -> Resource:
    return {"type": {"text": words}, "valueCode": [value]}
