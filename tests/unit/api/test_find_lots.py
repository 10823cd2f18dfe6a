"""Who has a lot: found in groups, on two answers, after a strike, and never without a trace."""

import csv
import io

import pytest

from api.clinical_rules.implant_search import Search
from api.clinical_rules.typed_lots import split_lots
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.find_lots import find_lots, find_lots_for, read_search
from api.use_cases.recalls import find_on_shelf
from api.use_cases.verify_log import verify_log
from sync.merge import shown_value
from tests.unit.api.lot_unit import LOT, ON, open_lot_unit


@pytest.fixture
def unit(tmp_path):
    with open_lot_unit(tmp_path) as opened:
        yield opened


def test_each_stands_in_its_group_and_the_unknown_apart(unit):
    """[LT1] [LT2] [LT3] [LT8] The index yields what the rule finds, group by group."""
    written = {"a": "vk-4417", "b": "VK44I7", "c": "VK447", "d": "QQ1111", "e": None}
    for name, lot in written.items():
        unit.case(name)
        unit.implant(f"{name}-1", {"lot": lot} if lot else {"lot_unknown": True})

    found = unit.find(lots=["VK 4417"])

    assert [(one.record, one.group) for one in found.implants] == [
        ("coil_placed/a-1", "same"),
        ("coil_placed/b-1", "alike"),
        ("coil_placed/c-1", "near"),
        ("coil_placed/e-1", "unknown"),
    ]
    assert (found.found, found.unknown) == (3, 1)
    first = found.implants[0]
    assert (first.number, first.name, first.born_on) == ("TH-a", "Vareth-a, Ilo", "1961-02-03")
    assert (first.on_day, first.site, first.recorded_on) == (
        "2026-03-16",
        "Saltmere Unit",
        "Room 2",
    )
    assert (first.what, first.lot, first.marks) == ("coil placed", "vk-4417", ())


def test_two_answers_about_one_coil_are_both_found(unit):
    """[HAZ-46] [LT7]. The planted bug it has caught: the reading of the last answer alone."""
    unit.case("a")
    unit.implant("a-1", LOT)
    unit.implant("a-1", {"lot": "QQ1111"}, sees=False)

    for lot in ("VK4417", "QQ1111"):
        (one,) = unit.find(lots=[lot]).implants
        assert (one.group, one.lot, one.marks) == ("same", lot, ("two-lots",))


def test_what_was_struck_is_found_and_says_so(unit):
    """[HAZ-46] An implant, its case and its patient entered in error: the coil may be in somebody.

    The planted bug it has caught: struck records left out of the view.
    """
    case = unit.case("a")
    coil = unit.implant("a-1", LOT)
    unit.story.write("coil_placed/a-1", retract=(coil.reference,))
    unit.story.write("case/a", retract=(case.reference,))
    patient = next(one for one in unit.story.log if one.record == "patient/a")
    unit.story.write("patient/a", retract=(patient.reference,))

    (one,) = unit.find(lots=["VK4417"]).implants

    assert (one.number, one.name) == ("TH-a", "Vareth-a, Ilo")
    assert one.marks == ("struck", "case-struck", "patient-struck")
    assert verify_log(unit.store).findings == ()


def test_who_died_or_moved_away_is_found_with_that_said(unit):
    """[HAZ-46]."""
    for name, reason in (("a", "died"), ("b", "transferred"), ("c", "declined")):
        unit.case(name)
        unit.implant(f"{name}-1", LOT)
        visit = {"patient": f"patient/{name}", "case": f"case/{name}", "status": "ended"}
        unit.story.write(f"visit/{name}", ended_because=reason, **visit)

    marks = {one.patient: one.marks for one in unit.find(lots=["VK4417"]).implants}

    assert marks == {"patient/a": ("died",), "patient/b": ("transferred",), "patient/c": ()}


def test_an_implant_without_case_or_patient_is_listed_all_the_same(unit):
    """[HAZ-46] Two patients of one case are both told."""
    unit.implant("z-1", LOT)
    unit.story.write("coil_placed/y-1", device=LOT, at="2026-03-16T10:00:00+00:00")
    unit.case("a")
    unit.implant("a-1", LOT)
    unit.case("b")
    unit.story.write("case/a", patient="patient/b", sees=False)

    found = unit.find(lots=["VK4417"])

    told = sorted((one.record, one.patient, one.marks) for one in found.implants)
    assert told == [
        ("coil_placed/a-1", "patient/a", ("two-patients",)),
        ("coil_placed/a-1", "patient/b", ("two-patients",)),
        ("coil_placed/y-1", "", ("no-case",)),
        ("coil_placed/z-1", "", ("case-not-here",)),
    ]
    assert found.found == 4


def test_needles_and_adhesive_are_found_and_a_package_is_told_once(unit):
    """[HAZ-46] A package is not told beside the coil out of it; one put back counts not."""
    unit.case("a")
    unit.implant("a-p1", LOT, kind="package_opened", item="coil", fate="placed")
    unit.implant("a-1", LOT, package="package_opened/a-p1")
    unit.implant("a-n1", LOT, kind="package_opened", item="needle", fate="used")
    unit.implant("a-g1", LOT, kind="adhesive_injected")
    unit.case("b")
    unit.implant("b-p2", LOT, kind="package_opened", item="coil", fate="returned")

    found = unit.find(lots=["VK4417"])

    assert sorted((one.record, one.what, one.fate) for one in found.implants) == [
        ("adhesive_injected/a-g1", "adhesive injected", ""),
        ("coil_placed/a-1", "coil placed", ""),
        ("package_opened/a-n1", "needle package", "used"),
        ("package_opened/b-p2", "coil package", "returned"),
    ]
    assert found.found == 1
    assert unit.groups(lots=["VK4417"], item="needle") == {"a-n1": "same"}
    assert unit.groups(lots=["VK4417"], item="adhesive") == {"a-g1": "same"}


def test_a_package_of_another_lot_than_the_coil_said_to_be_out_of_it_is_told_too(unit):
    """[HAZ-46] The planted bug it has caught: every package that a coil names left out."""
    unit.case("a")
    unit.implant("a-p1", LOT, kind="package_opened", item="coil", fate="placed")
    unit.implant("a-1", {"lot": "VK4471"}, package="package_opened/a-p1")

    assert unit.groups(lots=["VK4417"]) == {"a-p1": "same", "a-1": "near"}


def test_a_package_of_another_case_than_the_coil_that_names_it_is_told_too(unit):
    """[HAZ-46] Whoever is in that case has the device as well, as far as anybody knows."""
    unit.case("h")
    unit.case("i")
    unit.implant("i-p1", LOT, kind="package_opened", item="coil", fate="placed")
    unit.implant("h-1", LOT, package="package_opened/i-p1")

    found = unit.find(lots=["VK4417"])

    assert {one.record: one.patient for one in found.implants} == {
        "coil_placed/h-1": "patient/h",
        "package_opened/i-p1": "patient/i",
    }
    assert found.found == 2


def test_lots_typed_in_one_field_are_each_searched():
    """[HAZ-46] The whole as typed stays: a lot may bear a comma itself."""
    assert split_lots("VK4417, VK4499;\nQQ1 ; -") == [
        "VK4417, VK4499;\nQQ1 ; -",
        "VK4417",
        "VK4499",
        "QQ1",
    ]
    assert split_lots(" VK 4417 ") == ["VK 4417"]
    assert split_lots("VK4417,") == ["VK4417"]


def test_a_search_by_one_identifier_finds_what_the_item_is_labelled_by_besides(unit):
    """[HAZ-46] [LT11] A label of another kind than the notice; the best of the finds counts."""
    unit.story.write("stock_item/s", item="coil", identifiers=["9506000134352", "H123ABC0"])
    unit.story.write("stock_item/t", item="coil", identifiers=["H123OTHER"])
    for name, device in {
        "a": {"lot": "HX1", "identifier": "H123ABC0"},
        "b": {"lot": "HX1", "identifier": "H123OTHER"},
        "c": {"lot": "HX1", "identifier": "09506000134352"},
        "d": {"lot": "HX1"},
    }.items():
        unit.case(name)
        unit.implant(f"{name}-1", device)

    assert unit.groups(identifier="09506000134352") == {
        "a-1": "same",
        "c-1": "same",
        "d-1": "unknown",
    }
    assert unit.groups(lots=["HX1"], identifier="09506000134352") == {
        "a-1": "same",
        "b-1": "near",
        "c-1": "same",
        "d-1": "same",
    }


def test_what_lies_on_the_shelf_is_found_by_each_identifier_of_its_item(unit):
    """[HAZ-46] [LT11] Delivered and laid out under a label of another kind than the notice.

    The planted bug that this caught: packages sifted by the identifier of the notice alone.
    """
    unit.case("a")
    unit.story.write(
        "stock_item/s", item="coil", name="Coil", identifiers=["9506000134352", "H123ABC0"]
    )
    unit.story.write("stock_item/t", item="coil", name="Other", identifiers=["H123OTHER"])
    for name, identifier in (("s", "H123ABC0"), ("t", "H123OTHER")):
        label = {"lot": "HX1", "identifier": identifier}
        on_shelf = {"stock": f"stock_item/{name}", "change": 4, "reason": "delivered"}
        unit.story.write(f"stock_movement/{name}", device=label, **on_shelf)
        out = {"item": "coil", "stock_id": f"stock_item/{name}", "fate": "open"}
        unit.implant(f"a-{name}", label, kind="package_opened", **out)
    search = read_search({"identifier": "09506000134352"})

    assert [
        (one.name, one.group, one.count) for one in find_on_shelf(unit.store, search, on=ON)
    ] == [("Coil", "same", 3)]


def test_a_lot_in_letters_of_another_script_is_known_of_nobody(unit):
    """[LT1] The index yields what the rule finds, whichever of the two is written so."""
    for name, lot in {"a": "\uff36K4417", "b": "V\u041a4417", "c": "QQ1111"}.items():
        unit.case(name)
        unit.implant(f"{name}-1", {"lot": lot})

    assert unit.groups(lots=["VK4417"]) == {"a-1": "same", "b-1": "unknown"}
    assert unit.groups(lots=["V\u041a4417"]) == {
        "a-1": "unknown",
        "b-1": "unknown",
        "c-1": "unknown",
    }


def test_the_period_bounds_the_unknown_alone(unit):
    """[LT8]."""
    unit.case("a")
    for day in (9, 10, 20, 21):
        unit.implant(f"a-u{day}", {"lot_unknown": True}, on=f"2026-03-{day:02}")
    unit.implant("a-old", LOT, on="2024-01-01")
    unit.story.write("coil_placed/a-undated", case="case/a", device={})

    found = unit.groups(lots=["VK4417"], from_on="2026-03-10", to_on="2026-03-20")

    assert found == {
        "a-old": "same",
        "a-u10": "unknown",
        "a-u20": "unknown",
        "a-undated": "unknown",
    }


def test_an_implant_without_a_day_has_that_of_its_case(unit):
    """[HAZ-46] [LT8] What nobody can tell lies in every period, and nobody is left out for it.

    Caught: an implant of a past case, which has the day of the case alone, lay in every period.
    """
    days = {"in": "2026-03-10", "out": "2026-03-21", "none": "2026-02-30", "struck": "2024-01-01"}
    for name, day in days.items():
        unit.case(name)
        unit.story.write(f"case/{name}", procedure_on=day)
        unit.story.write(f"coil_placed/{name}-1", case=f"case/{name}", device={})
    held = [one for one in unit.story.log if one.record == "case/struck"]
    unit.story.write("case/struck", retract=tuple(one.reference for one in held))
    unit.case("two")
    unit.story.write("case/two", procedure_on="2024-01-01")
    unit.story.write("case/two", procedure_on="2024-01-02", sees=False)
    unit.story.write("coil_placed/two-1", case="case/two", device={})
    # Its own days go before that of its case, also where they are two.
    unit.implant("in-2", {}, on="2026-03-21")
    unit.implant("out-2", {}, on="2026-03-10")
    unit.implant("out-3", {}, on="2026-03-10")
    unit.implant("out-3", {}, on="2026-04-10", sees=False)
    unit.story.write("coil_placed/soon", case="case/out", device={}, at="soon")
    # Of two cases the day of either counts.
    unit.story.write("coil_placed/both", case="case/out", device={})
    unit.story.write("coil_placed/both", case="case/in", sees=False)
    unit.story.write("coil_placed/gone", case="case/gone", device={})
    unit.story.write("coil_placed/alone", device={})

    period = {"from_on": "2026-03-10", "to_on": "2026-03-20"}
    wanted = {"in-1", "out-2", "none-1", "struck-1", "two-1", "out-3", "soon", "both", "gone"}

    for search in ({"lots": ["VK4417"]}, {"serial": "S1"}, {"identifier": LOT["identifier"]}):
        assert set(unit.groups(**search, **period)) == {*wanted, "alone"}
    everybody = {*wanted, "alone", "out-1", "in-2"}
    assert set(unit.groups(lots=["VK4417"])) == everybody
    assert set(unit.groups(lots=["VK4417"], from_on="2026-03-21")) == {
        *(everybody - {"in-1", "out-2"})
    }
    days = {one.record: one.on_day for one in unit.find(lots=["VK4417"]).implants}
    assert (days["coil_placed/in-1"], days["coil_placed/none-1"]) == ("2026-03-10", "")


def test_what_is_found_is_found_whatever_the_day_of_its_case(unit):
    """[HAZ-46] [LT8] The period bounds the unknown alone."""
    unit.case("a")
    unit.story.write("case/a", procedure_on="2015-03-12")
    unit.story.write("coil_placed/a-1", case="case/a", device=LOT)

    assert unit.groups(lots=["VK4417"], from_on="2026-01-01") == {"a-1": "same"}


def test_a_label_as_scanned_fills_what_was_left_out(unit):
    """[LT6] Serial number, identifier and dates of expiry find alone."""
    unit.case("a")
    unit.implant("a-1", {"raw_label": "01095060001343521728063010VK4417\x1d21S9"})
    unit.case("b")
    unit.implant("b-1", {"lot": "QQ1111", "identifier": "9506000134376", "serial": "S8"})

    assert unit.groups(serial="s-9") == {"a-1": "same", "b-1": "near"}
    assert unit.groups(identifier="9506000134352") == {"a-1": "same"}
    days = {"expires_from": "2028-06-30", "expires_to": "2028-06-30"}
    assert unit.groups(**days) == {"a-1": "same", "b-1": "unknown"}
    assert unit.groups(lots=["VK4417"], identifier="9506000134376") == {"a-1": "near"}


def test_what_was_pressed_from_the_shelf_is_found_by_the_identifier_of_its_item(unit):
    """[HAZ-46] [LT16] Apart from what was scanned; of another item or kind nobody has to look.

    Caught: a recall by identifier found nobody whose lot was pressed from the shelf or typed, and
    listed every needle and adhesive as one of which nobody knows.
    """
    other = "09506000134369"
    lists = {"7": ["9506000134352"], "8": [other], "9": []}
    for name, identifiers in lists.items():
        unit.story.write(f"stock_item/{name}", item="coil", name=name, identifiers=identifiers)
    used = {
        "a": {"device": {"lot": "VK1"}, "coil": {"stock_id": "stock_item/7"}},
        "b": {"device": {"lot": "VK2"}, "coil": {"stock_id": "stock_item/8"}},
        "c": {"device": {"lot": "VK3"}, "coil": {"stock_id": "stock_item/9"}},
        "d": {"device": LOT, "coil": {"stock_id": "stock_item/8"}},
        "e": {"device": {"lot": "VK4"}},
    }
    for name, fields in used.items():
        unit.case(name)
        unit.implant(f"{name}-1", **fields)
    unit.case("f")
    unit.implant("f-1", {"lot": "N1"}, kind="package_opened", item="needle")
    unit.implant("f-2", {"lot": "G1"}, kind="adhesive_injected")
    unit.implant("f-3", {"lot": "VK1"}, kind="package_opened", item="coil", stock_id="stock_item/7")

    found = unit.groups(identifier=LOT["identifier"])

    assert found == {
        "d-1": "same",
        "a-1": "shelf",
        "f-3": "shelf",
        "c-1": "unknown",
        "e-1": "unknown",
    }
    # The period bounds the unknown alone.
    late = unit.groups(identifier=LOT["identifier"], from_on="2026-03-17")
    assert late == {"d-1": "same", "a-1": "shelf", "f-3": "shelf"}
    # Two answers about the item rule nothing out.
    unit.story.write("stock_item/8", identifiers=["09506000134376"], sees=False)
    assert unit.groups(identifier=LOT["identifier"])["b-1"] == "unknown"


def test_what_lies_on_the_shelf_is_recalled_by_the_identifier_of_its_item(unit):
    """[LT16] Of a delivery that was typed nobody read an identifier."""
    unit.story.write("stock_item/7", item="coil", name="Coil 14", identifiers=[LOT["identifier"]])
    unit.story.write("stock_item/8", item="needle", name="Needle 19 G")
    for name in ("7", "8"):
        came = {"stock": f"stock_item/{name}", "device": {"lot": "VK1"}, "change": 2}
        unit.story.write(f"stock_movement/m{name}", **came, reason="delivered")

    search = read_search({"identifier": LOT["identifier"]})
    shelf = find_on_shelf(unit.store, search, on=ON)

    assert [(one.name, one.group, one.count) for one in shelf] == [("Coil 14", "shelf", 2)]


def test_a_lot_that_says_nobody_knows_stays_among_the_unknown(unit):
    """[HAZ-46] [LT13] Caught: "n/a" written as a lot was known, and its patient was hidden."""
    for name, lot in (("a", "n/a"), ("b", "unleserlich"), ("c", "NA1")):
        unit.case(name)
        unit.implant(f"{name}-1", {"lot": lot})

    assert unit.groups(lots=["VK4417"]) == {"a-1": "unknown", "b-1": "unknown"}


def test_look_alikes_that_a_unit_has_set_itself_find_the_same(unit, monkeypatch):
    """[LT9] Under another table than that of the index every row is looked at."""
    for name, lot in (("a", "VK4417"), ("b", "UK4417"), ("c", "V0Q417")):
        unit.case(name)
        unit.implant(f"{name}-1", {"lot": lot})
    monkeypatch.setattr("api.use_cases.find_lots._look_alikes", lambda *_: {"U": "V", "Q": "0"})

    assert unit.groups(lots=["VK4417"]) == {"a-1": "same", "b-1": "alike"}
    assert unit.groups(lots=["V00417"]) == {"c-1": "alike"}


def test_every_search_is_kept_with_who_why_and_how_many(unit):
    """[HAZ-46] Also one that finds nobody; and nobody searches without a name and a reason."""
    unit.case("a")
    unit.implant("a-1", LOT)
    unit.case("b")
    unit.implant("b-1", {"lot_unknown": True})
    unit.find(lots=["VK4417", "VK4418"], item="coil")
    unit.find(serial="WW2222", from_on="2027-01-01")

    kept = [
        {name: shown_value(field) for name, field in state.fields.items()}
        for state in unit.store.views.of_kind("lot_search")
    ]
    assert [(one["criteria"], one["found"], one["unknown"]) for one in kept] == [
        ({"lot": "VK4417; VK4418", "item": "coil"}, 1, 1),
        ({"serial": "WW2222", "from_on": "2027-01-01"}, 0, 0),
    ]
    assert {one["because"] for one in kept} == {"notice of 20 March"}
    assert all(one["at"].endswith("+00:00") for one in kept)
    for by, because in (("", "why"), ("Juno", "why"), ("staff/s-1", "  ")):
        with pytest.raises(NotAllowedError, match="Say who searches"):
            find_lots(
                unit.store,
                Search(lots=("VK4417",)),
                on=ON,
                by=by,
                because=because,
                chance=unit.chance(),
            )
    assert len(unit.store.views.of_kind("lot_search")) == 2
    assert verify_log(unit.store).findings == ()


def test_a_search_that_a_tablet_keeps_already_is_one_entry(unit):
    """[HAZ-46] The unit adds what it found; whatever another entry says is never taken for it.

    The planted bug that this caught: an entry taken for the search whatever it looked for.
    """
    unit.case("a")
    unit.implant("a-1", LOT)
    asked = {"found": 0, "unknown": 0, "because": "notice of 20 March"}
    at = {"at": "2026-09-21T13:00:00+00:00"}
    lots = {"criteria": {"lot": "VK4417"}}
    unit.story.write("lot_search/t-1", **asked, **lots, **at)

    unit.find(lots=["VK4417"], entry="lot_search/t-1")
    unit.find(lots=["VK4417"], entry="lot_search/t-1")
    unit.find(lots=["VK4417"], entry="lot_search/t-2")

    assert unit.entries() == {"t-1": [[0, 1], [0]], "t-2": [[1], [0]]}
    unit.find(lots=["VK4418"], entry="lot_search/t-1")
    unit.find(lots=["VK4417"], entry="lot_search/t-1", because="another reason")
    unit.find(lots=["VK4417"], entry="lot_search/t-1", by="staff/s-2")
    unit.find(lots=["VK4417"], entry="patient/a")
    assert len(unit.entries()) == 6
    old = {"at": "2026-09-20T13:00:00+00:00"}
    unit.story.write("lot_search/t-3", **asked, **lots, **old)
    unit.find(lots=["VK4417"], entry="lot_search/t-3")
    assert unit.entries()["t-3"] == [[0], [0]]
    assert len(unit.entries()) == 8


def test_of_which_period_the_unknown_were_listed_is_kept_and_parts_two_searches(unit):
    """[HAZ-46] Caught: the period was kept nowhere, and a search of another one was the same.

    A tablet of an older release leaves the period out: what the unit searched is told beside it.
    """
    unit.case("a")
    unit.implant("a-1", {"lot_unknown": True})
    asked = {"found": 0, "unknown": 1, "because": "notice of 20 March"}
    at = {"at": "2026-09-21T13:00:00+00:00"}
    march = {"from_on": "2026-03-01", "to_on": "2026-03-31"}
    unit.story.write("lot_search/t-1", **asked, criteria={"lot": "VK4417", **march}, **at)
    unit.story.write("lot_search/t-2", **asked, criteria={"lot": "VK4417"}, **at)

    unit.find(lots=["VK4417"], **march, entry="lot_search/t-1")
    assert unit.entries() == {"t-1": [[0], [1]], "t-2": [[0], [1]]}
    unit.find(lots=["VK4417"], from_on="2026-04-01", entry="lot_search/t-1")
    unit.find(lots=["VK4417"], **march, entry="lot_search/t-2")

    kept = [shown_value(one.fields["criteria"]) for one in unit.store.views.of_kind("lot_search")]
    assert [{name: one.get(name) for name in ("from_on", "to_on")} for one in kept] == [
        march,
        {"from_on": None, "to_on": None},
        {"from_on": "2026-04-01", "to_on": None},
        march,
    ]
    assert sorted(unit.entries().values()) == [[[0], [0]], *[[[0], [1]]] * 3]


def test_booking_devices_are_told_nothing_of_implants(unit):
    """[FU-11]."""
    told = {"on": ON, "by": "staff/s-1", "because": "why"}
    for name, may in (("desk-a", False), ("tablet-s", True)):
        device = unit.store.devices.find(name)
        search = Search(lots=("VK4417",))
        if may:
            find_lots_for(unit.store, device, search, **told, chance=unit.chance())
            continue
        with pytest.raises(NotAllowedError, match="bedside"):
            find_lots_for(unit.store, device, search, **told, chance=unit.chance())


@pytest.mark.parametrize(
    ("search", "sentence"),
    [
        ({}, "names nothing to search by"),
        ({"lots": ["-"]}, "search.lots has no letter or digit"),
        ({"lot": "VK4417"}, "search.lot is no known key"),
        ({"lots": "VK4417"}, "search.lots must be a list"),
        ({"expires_from": "June"}, "search.expires_from must be a date"),
    ],
)
def test_a_search_that_cannot_be_made_is_refused_in_one_sentence(search, sentence):
    with pytest.raises(CalculationError, match=sentence) as refused:
        read_search(search)
    assert str(refused.value).endswith(".")


def test_the_list_goes_on_as_csv(unit):
    """[HAZ-46] A name that a spreadsheet would run stays a name."""
    unit.case("a")
    unit.implant("a-1", {**LOT, "lot": "=VK4417"})

    (row,) = csv.DictReader(io.StringIO(unit.find(lots=["VK4417"]).csv))

    assert (row["group"], row["number"], row["lot"]) == ("same", "TH-a", "'=VK4417")
