"""Letters to whoever was found with a lot; notices in force: whom they touch, what is in stock."""

import csv
import io

import pypdf
import pytest

from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.recall_letters import list_recall_letters, print_recall_letters
from api.use_cases.recalls import add_recall, list_touched, withdraw_recall
from tests.unit.api.lot_unit import LOT, ON, open_lot_unit
from tests.unit.api.test_letters import propose, settings_file


@pytest.fixture
def unit(tmp_path):
    with open_lot_unit(tmp_path) as opened:
        yield opened


def test_letters_are_for_everybody_found_and_say_who_is_not_written_to(unit):
    """[HAZ-45] [HAZ-46] The dead, also under another record of the same number, and the barred.

    The planted bug it has caught: a patient who moved to another unit left out.
    """
    there = {"address": "1 Quay Street\nSaltmere", "letter_language": "en"}
    unit.case("a", **there)
    unit.case("b", **there)
    unit.case("c", **there, do_not_contact=True)
    unit.case("d")
    unit.case("e", **there)
    unit.case("f", **there)
    unit.story.write("patient/f", local_id="TH-b")
    for name in "abcdef":
        unit.implant(f"{name}-1", LOT if name != "e" else {"lot_unknown": True})
        unit.implant(f"{name}-2", LOT if name != "e" else {})
    for name, reason in (("a", "transferred"), ("b", "died")):
        visit = {"patient": f"patient/{name}", "case": f"case/{name}", "status": "ended"}
        unit.story.write(f"visit/{name}", ended_because=reason, **visit)

    found = unit.find(lots=["VK4417"])
    listed = list_recall_letters(unit.store, found, time_zone="Europe/London")

    withheld = {one.patient.removeprefix("patient/"): one.withheld for one in listed.letters}
    assert sorted(withheld) == list("abcdef")
    assert {name: text.split(".")[0] for name, text in withheld.items()} == {
        "a": "",
        "b": "Somebody recorded that the patient died",
        "c": "The patient is not to be contacted, or two answers stand",
        "d": "No address is recorded",
        "e": "",
        "f": "Somebody recorded that the patient died",
    }
    rows = list(csv.DictReader(io.StringIO(listed.csv)))
    assert {row["address"] for row in rows if not row["withheld"]} == {"1 Quay Street\nSaltmere"}


def test_printed_letters_are_one_page_a_patient_and_name_no_reason(unit):
    """[HAZ-45] [HAZ-46] [UX-19] Who is withheld has no page, and the list says which page is whose.

    Planted bugs that this caught: pages numbered over those withheld, the kind of device named.
    """
    propose(unit.store, settings_file())
    long = "1\n2\n3\n4\n5\n6"
    unit.case("a", address="1 Quay Street\nSaltmere", letter_language="en")
    unit.case("b", address="3 Quay Street\n\u0e01", letter_language="en")
    unit.case("c", address="2 Quay Street\nSaltmere", letter_language="de")
    unit.case("d", address=long)
    unit.case("e", address="4 Quay Street", do_not_contact=True)
    for name in "abcde":
        unit.implant(f"{name}-1", LOT)

    made = print_recall_letters(
        unit.store, unit.find(lots=["VK4417"]), on=ON, time_zone="Europe/London"
    )

    told = {one.patient.removeprefix("patient/"): one for one in made.letters}
    assert {name: (one.withheld[:8], one.is_draft) for name, one in told.items()} == {
        "a": ("", False),
        "b": ("The font", False),
        "c": ("", True),
        "d": ("The addr", False),
        "e": ("The pati", False),
    }
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made.pdf)).pages]
    assert len(pages) == 2
    for name, street, language in (
        ("a", "1 Quay Street", "call us"),
        ("c", "2 Quay Street", "rufen"),
    ):
        page = pages[told[name].page - 1]
        assert f"Ilo Vareth-{name}" in page
        assert street in page
        assert language in page
        assert "01632 960 001" in page
    for word in ("coil", "varix", "lot", "vk4417", "recall", "implant", "1961", "liver"):
        assert word not in " ".join(pages).lower(), word
    rows = list(csv.DictReader(io.StringIO(made.csv)))
    assert {row["number"]: row["page"] for row in rows if row["page"]} == {
        f"TH-{name}": str(told[name].page) for name in "ac"
    }


def test_no_letter_is_printed_for_a_unit_that_nobody_could_call_back(unit):
    unit.case("a", address="1 Quay Street")
    unit.implant("a-1", LOT)

    with pytest.raises(CalculationError, match="has not stated its"):
        print_recall_letters(
            unit.store, unit.find(lots=["VK4417"]), on=ON, time_zone="Europe/London"
        )


def test_who_is_not_known_for_certain_is_written_to_after_a_person_has_looked(unit):
    """[HAZ-45] [HAZ-46] Two patients of one case, a struck coil; a sure find of the same leads."""
    for name in "abcd":
        unit.case(name, address="1 Quay Street")
    unit.implant("a-1", LOT)
    unit.story.write("case/a", patient="patient/b", sees=False)
    for name in ("c-1", "d-1"):
        coil = unit.implant(name, LOT)
        unit.story.write(f"coil_placed/{name}", retract=(coil.reference,))
    unit.implant("d-2", LOT, on="2026-03-10")

    found = unit.find(lots=["VK4417"])
    listed = list_recall_letters(unit.store, found, time_zone="Europe/London")

    withheld = {one.patient.removeprefix("patient/"): one.withheld for one in listed.letters}
    unclear = "The record does not say for certain who this is. Find out who had this case."
    assert withheld == {"a": unclear, "b": unclear, "c": unclear, "d": ""}


def test_a_notice_in_force_names_patients_and_what_is_on_the_shelf(unit):
    """[HAZ-46] Deliveries less what was laid out, but for what went back; withdrawn it is none."""
    unit.case("a")
    unit.story.write("stock_item/7", item="coil", name="Coil 14 mm")
    unit.story.write("stock_item/8", item="needle", name="Needle 19 G")
    for place, (stock, lot, change) in enumerate(
        [("7", "VK4417", 5), ("7", "vk-4417", -1), ("7", "QQ1111", 9), ("8", "VK4417", 4)]
    ):
        unit.story.write(
            f"stock_movement/m{place}",
            stock=f"stock_item/{stock}",
            device={"lot": lot},
            change=change,
            reason="delivered",
        )
    for name, fate in (("a-p1", "placed"), ("a-p2", "returned")):
        more = {"item": "coil", "stock_id": "stock_item/7", "fate": fate}
        unit.implant(name, LOT, kind="package_opened", **more)
    notice = add_recall(
        unit.store,
        {"lots": ["VK4417"]},
        item="coil",
        reason="The delivery wire may break.",
        issued_on=ON,
        by="staff/s-1",
        chance=unit.chance(),
    )

    (touched,) = list_touched(unit.store, on=ON, by="staff/s-1", draw_chance=unit.chance)

    assert (touched.notice, touched.reason) == (notice, "The delivery wire may break.")
    assert {one.record for one in touched.found.implants} == {
        "package_opened/a-p1",
        "package_opened/a-p2",
    }
    assert [(one.name, one.lot, one.count) for one in touched.shelf] == [
        ("Coil 14 mm", "VK4417", 3)
    ]
    withdraw_recall(unit.store, notice, by="staff/s-1", because="other maker", chance=unit.chance())
    assert list_touched(unit.store, on=ON, by="staff/s-1", draw_chance=unit.chance) == []


def test_a_notice_that_nobody_can_search_by_is_told_and_not_hidden(unit):
    unit.story.write("recall_notice/r-1", criteria={"lots": ["--"]}, state="in-force", reason="why")

    (touched,) = list_touched(unit.store, on=ON, by="staff/s-1", draw_chance=unit.chance)

    assert touched.found is None
    assert "no letter or digit" in touched.sentence
    with pytest.raises(NotAllowedError, match="no notice here"):
        withdraw_recall(
            unit.store, "recall_notice/r-9", by="staff/s-1", because="-", chance=unit.chance()
        )
    for wrong in ({"reason": " "}, {"issued_on": "March"}, {"by": "staff/s-9"}, {"criteria": {}}):
        given = {"reason": "why", "issued_on": ON, "by": "staff/s-1", **wrong}
        criteria = given.pop("criteria", {"lots": ["VK4417"]})
        with pytest.raises((CalculationError, NotAllowedError)):
            add_recall(unit.store, criteria, item=None, **given, chance=unit.chance())
