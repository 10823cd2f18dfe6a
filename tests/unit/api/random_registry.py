"""A registry of several units, told twice: as plain dictionaries, and as operations in a store.

What is reckoned from the dictionaries shares no line with the program (DM-09).
"""

import datetime
import random

from sync.clock import Stamp
from sync.operation import Body, make_operation

BEGINS = datetime.date(2025, 1, 1)
SOURCES = (
    *("gastric-varix", "oesophageal-varix", "treatment-ulcer", "adhesive-extrusion"),
    *("other", "unknown", None),
)


def day_after(day, days):
    """Return the day so many days after another; both as texts."""
    return (datetime.date.fromisoformat(day) + datetime.timedelta(days=days)).isoformat()


def invent_registry(chance: random.Random, *, units=("unit-a", "unit-b", "unit-c"), cases=300):
    """Return records as (unit, record, fields); of each case its parts, some of them missing."""
    made, number = [], 0
    while number < cases:
        unit = chance.choice(units)
        patient = f"registry_patient/p{number:06}"
        of_patient = chance.choice((1, 1, 1, 2, 3))
        treated = (BEGINS + datetime.timedelta(days=chance.randint(0, 600))).isoformat()
        born = chance.choice((None, chance.randint(1935, 1995)))
        person = {"unit": unit, "birth_year": born, "sex": chance.choice(("female", "male", None))}
        if chance.random() < 0.05:
            person["doubts"] = chance.choice((["died_on"], ["died_on", "deaths"]))
        elif chance.random() < 0.15:
            person["died_on"] = day_after(treated, chance.randint(0, 420))
        made.append((unit, patient, person))
        for _ in range(of_patient):
            made += _invent_case(chance, unit, patient, treated, number)
            treated = day_after(treated, chance.randint(20, 200))
            number += 1
    return [
        (unit, record, {name: value for name, value in fields.items() if value is not None})
        for unit, record, fields in made
    ]


def _invent_case(chance, unit, patient, treated, number):
    case = f"registry_case/c{number:06}"
    coils = chance.choice((None, 0, 1, 2, 3, 4))
    due = chance.choice((None, 0, 1, 2, 3))
    fields = {
        "unit": unit,
        "patient": patient,
        "treated_on": treated,
        "seen_on": chance.choice((None, day_after(treated, chance.randint(0, 500)))),
        "indication": chance.choice(
            ("primary-prophylaxis", "secondary-prophylaxis", "acute-bleed", None)
        ),
        "varix_class": chance.choice(("GOV1", "GOV2", "IGV1", None)),
        "child_pugh_points": chance.choice((None, *range(5, 16))),
        "meld": chance.choice((None, *range(6, 30))),
        "short_axis_um": chance.choice((None, chance.randint(5_000, 30_000))),
        "technique": chance.choice(("coils", "adhesive", "coils-and-adhesive", None)),
        "coils_placed": coils,
        "adhesive_kind": chance.choice(("2-octyl-cyanoacrylate", "none", None)),
        "adhesive_pure_ul": chance.choice((None, 0, 1_000, 1_500, 2_000)),
        "delivered": chance.choice((None, True, True, True, False)),
        "flow_at_end": chance.choice((None, "none", "reduced", "unchanged")),
        "doubts": chance.choice(
            ([],) * 18 + (["looks"], ["events", "meld"], ["bleeds"], ["adverse_events", "bleeds"])
        ),
        "window_days": chance.choice((None, 0, 5, 30, 42, *([365] * 20))),
        "asked_on": chance.choice((None, *[day_after(treated, chance.randint(0, 500))] * 4)),
        "windows_due": due,
        "windows_kept": None if due is None else chance.randint(0, due),
    }
    made = [(unit, case, fields)]
    for part in range(chance.choice((0, 1, 2))):
        look = {
            "case": case,
            "looked_on": _or_none(chance, day_after(treated, chance.randint(0, 300))),
            "flow": chance.choice(("yes", "no", "no", "not-seen", None)),
        }
        if look["flow"] is None and chance.random() < 0.5:
            look["doubts"] = ["flow"]
        made.append((unit, f"registry_look/l{number:06}-{part}", look))
    for part in range(chance.choice((0, 0, 1, 2))):
        kind = chance.choice((None, "rebleed", "rebleed", "reintervention", "embolism", "other"))
        event = {
            "case": case,
            "event": kind,
            "happened_on": chance.choice(
                (day_after(treated, chance.randint(0, 420)),) * 9 + (None,)
            ),
            "source": chance.choice(SOURCES) if kind == "rebleed" else None,
            "planned": chance.choice((True, False, None)) if kind == "reintervention" else None,
        }
        made.append((unit, f"registry_event/e{number:06}-{part}", event))
    for part in range(coils or 0):
        lot = chance.choice((None, "L-0417", "L-0418", "LO417"))
        implant = {
            "case": case,
            "item": "coil",
            "identifier": "04006381333931",
            "lot": lot,
            "lot_unknown": lot is None,
            "count": 1,
        }
        made.append((unit, f"registry_implant/i{number:06}-{part}", implant))
    return made


def _or_none(chance, value):
    return None if chance.random() < 0.1 else value


class Writers:
    """The units' logs: each continues its own."""

    def __init__(self, store):
        self._store = store
        self._tips = {}

    def write(self, records, *, retract=()):
        """Write records, as (unit, record, fields), each into the log of its unit."""
        operations = [self._make(*one, retract=retract) for one in records]
        with self._store.transaction():
            handles = self._store.operations.append(operations, received_ms=1)
            self._store.views.refresh_after(operations, handles)
        return operations

    def _make(self, unit, record, fields, *, retract):
        counter, previous = self._tips.get(unit, (0, ""))
        operation = make_operation(
            device=unit,
            epoch="epoch1",
            counter=counter + 1,
            previous=previous,
            stream="registry",
            record=record,
            stamp=str(Stamp(1_767_225_600_000 + counter, 0, unit)),
            body=Body(
                salt="0" * 32,
                by="staff/registry",
                tapped_by="staff/registry",
                catalogue=8,
                set=fields,
                over={},
                retract=tuple(retract),
                because="",
                again="",
            ),
        )
        self._tips[unit] = (counter + 1, operation.hash)
        return operation
