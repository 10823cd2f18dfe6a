"""The request of ``lay-out``: the plan of a case, and what the shelf holds."""

from api.clinical_rules.shapes import (
    at_most,
    civil_date,
    list_of,
    one_of,
    shape,
    text,
    whole_number,
)
from api.clinical_rules.stock_request import kind_of_item

_amount_ul = at_most(10_000_000)
_ampoule_ul = at_most(10_000_000, zero_advice="Correct it, or leave it out.")
_AGENT = one_of("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate")
_LOT = shape(
    {
        "on_shelf": whole_number,
        "standing": one_of("valid", "near-expiry", "expired", "recalled", "expiry-unknown"),
    },
    # Without a lot: packages of which nobody knows it.
    {"lot": text, "expires_on": civil_date},
)
READ_LAY_OUT = shape(
    {
        "targets": list_of(shape({"label": text, "picks": list_of(text)})),
        "shelf": list_of(
            shape(
                {"id": text, "item": kind_of_item, "name": text, "lots": list_of(_LOT)},
                {
                    "on_shelf": whole_number,
                    "usable": whole_number,
                    "agent": text,
                    "ampoule_ul": _ampoule_ul,
                },
            )
        ),
    },
    {
        "needle": text,
        "adhesive": shape({"agent": _AGENT}, {"pure_ul": _amount_ul, "mix_ul": _amount_ul}),
        "flush": shape(
            {"media": list_of(one_of("saline", "sterile-water", "dextrose-5"))},
            {"flush_ul": _amount_ul},
        ),
        "laid_out": list_of(text),
        "own_lines": list_of(text),
    },
)
