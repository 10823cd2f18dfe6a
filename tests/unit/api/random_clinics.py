"""Random small clinics, told twice: as plain dictionaries, and as operations in a store.

What is counted from the dictionaries shares no line with the program: it is what the program's
own counts are held against.
"""

import datetime
import random
from contextlib import contextmanager

from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

# The last moment of a story; 16 March 2026 is its today.
TODAY = datetime.date(2026, 3, 16)
PLACES = ("Room 4", "Annexe")
ENDS = ("died", "transferred", "declined", "not-needed", "case-retracted")


class _RolledBackError(Exception):
    """Ends a transaction so that nothing of it is kept."""


@contextmanager
def taken_back(store):
    """Write inside, and leave the store as it was."""
    try:
        with store.transaction():
            yield
            raise _RolledBackError
    except _RolledBackError:
        pass


def day(number):
    return (TODAY + datetime.timedelta(days=number)).isoformat()


def invent_clinic(chance: random.Random, *, visits=7):
    """Return sessions and visits as dictionaries; days count from today."""
    sessions = [
        {
            "name": f"s{number}",
            "day": chance.randint(-300, 120),
            "place": chance.choice(PLACES),
            "capacity": chance.randint(0, 6),
            "closed": chance.random() < 0.15,
        }
        for number in range(chance.randint(1, 5))
    ]
    return {
        "sessions": sessions,
        "patients": [
            {"name": f"p{number}", "home": chance.choice(["", *PLACES])} for number in range(3)
        ],
        "visits": [_invent_visit(chance, number, sessions) for number in range(visits)],
    }


def _invent_visit(chance, number, sessions):
    target = chance.randint(-420, 250)
    spread = chance.choice([0, 1, 7, 30])
    window = {"earliest": target - spread, "target": target, "latest": target + spread}
    if chance.random() < 0.12:
        window.pop(chance.choice(sorted(window)))
    booked = [("book", one["name"]) for one in sessions]
    others = [("no-show",), ("cancelled",), ("to-book",)]
    acts = [
        chance.choice(booked if chance.random() < 0.6 else others)
        for _ in range(chance.randint(0, 4))
    ]
    last = chance.random()
    if last < 0.35:
        acts.append(("attended",))
    elif last < 0.45:
        acts.append(("elsewhere", chance.randint(-200, -1)))
    elif last < 0.6:
        acts.append(("ended", chance.choice(ENDS)))
    return {
        "name": f"v{number}",
        "patient": f"p{chance.randint(0, 2)}",
        "window": window,
        "acts": acts,
        "tries": chance.randint(0, 3),
    }


def write_clinic(store, clinic) -> Story:
    """Write the clinic into a store; inside a transaction."""
    story = Story(store, now_ms=NOON_MS)
    for one in clinic["patients"]:
        story.write(f"patient/{one['name']}", family_name="X", home_place=one["home"])
    for one in clinic["sessions"]:
        closed = {"closed_because": "holiday"} if one["closed"] else {}
        story.write(
            f"clinic_session/{one['name']}",
            place=one["place"],
            held={"on": day(one["day"]), "starts": "09:00", "time_zone": "Europe/London"},
            capacity=one["capacity"],
            **closed,
        )
    days = {one["name"]: day(one["day"]) for one in clinic["sessions"]}
    for one in clinic["visits"]:
        record = f"visit/{one['name']}"
        window = {f"{name}_on": day(number) for name, number in one["window"].items()}
        story.write(record, patient=f"patient/{one['patient']}", window=window, status="to-book")
        for act, *more in one["acts"]:
            if act == "book":
                story.book(record, f"clinic_session/{more[0]}", days[more[0]])
            elif act == "elsewhere":
                elsewhere = {"on": day(more[0]), "place": "another hospital"}
                story.write(record, status="attended", elsewhere=elsewhere)
            elif act == "ended":
                story.write(record, status="ended", ended_because=more[0])
            else:
                story.write(record, status=act)
        for number in range(one["tries"]):
            story.write(
                f"contact_attempt/{one['name']}-{number}",
                visit=record,
                how="phone",
                result="reached",
            )
    return story
