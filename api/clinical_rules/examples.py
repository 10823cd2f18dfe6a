"""One whole request for each calculation, with invented numbers.

For the page of the interface, and to try a new rule file on.
"""

from collections.abc import Mapping

EXAMPLES: Mapping[str, Mapping[str, object]] = {
    "liver-scores": {
        "bilirubin": {"value": 41, "unit": "umol/L"},
        "albumin": {"value": 31, "unit": "g/L"},
        "creatinine": {"value": 96, "unit": "umol/L"},
        "urea": {"value": 7.2, "unit": "mmol/L"},
        "haemoglobin": {"value": 104, "unit": "g/L"},
        "inr": 1.6,
        "sodium_mmol_l": 133,
        "ascites": "mild",
        "encephalopathy": "none",
        "dialysis": False,
        "sex": "female",
        "age_years": 58,
        "weight_kg": 71.5,
        "systolic_mmhg": 112,
        "heart_rate_bpm": 84,
        "melaena": False,
        "syncope": False,
        "hepatic_disease": True,
        "cardiac_failure": False,
        "altered_mental_status": False,
    },
    "sizing": {
        "targets": [
            {
                "label": "Varix A",
                "short_axis_um": 14_000,
                "long_axis_um": 22_000,
                "measured_distance_um": 23_000,
                "near_wall_um": 12_000,
                "far_wall_um": 30_000,
                "origin": "measured",
            }
        ],
        "needle": {
            "gauge": 19,
            "inner_diameter_um": 940,
            "length_um": 1_420_000,
            "prime_ul": 1_020,
            "stop_step_um": 1_000,
        },
        "coils_in_stock": [
            {
                "id": "coil-18",
                "loop_um": 18_000,
                "wire_um": 889,
                "length_um": 140_000,
                "count": 2,
            },
            {
                "id": "coil-15",
                "loop_um": 15_000,
                "wire_um": 889,
                "length_um": 140_000,
                "count": 2,
            },
        ],
        "adhesive": {
            "agent": "2-octyl-cyanoacrylate",
            "parts_adhesive": 1,
            "parts_oil": 0,
            "planned_ul": 2_000,
        },
        "given_so_far_ul": 0,
        "shunt": "none",
        "right_to_left_shunt": "no",
    },
    "follow-up": {
        "plan": "default",
        "index_on": "2026-01-31",
        "acute_bleed": True,
        "today_on": "2026-03-16",
        "conditions": {
            "cirrhosis": True,
            "child_class": "B",
            "transplant_listed": False,
            "on_beta_blocker": True,
            "oesophageal_banded": False,
            "adhesive_ul": 2_000,
            "coils": 2,
        },
        "happened": [
            {"visit": "call_24_72h", "on": "2026-02-02", "outcome": "attended"},
            {"visit": "clinic_1w", "on": "2026-02-07", "outcome": "no-show"},
        ],
    },
    "antithrombotic-holds": {
        "profile": "bsg-esge-2021",
        "procedure_on": "2026-03-16",
        "urgent": False,
        "creatinine_clearance_ml_per_min": 43.5,
        "drugs": ["dabigatran", "aspirin"],
    },
    "device-label": {
        "scanned": "]d20109506000134352172909301042TH-07",
        "today_on": "2026-03-16",
    },
}
