"""The commands of a recall: find a lot, enter a notice, list whom it touches, withdraw it."""

import csv
import json

import pypdf
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.test_letters import propose, settings_file

WHO = ("--by", "staff/s-1")
WHY = ("--because", "notice of today")


@pytest.fixture
def folder(tmp_path):
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    with store.transaction():
        story = Story(store, device="tablet-s", now_ms=NOON_MS)
        story.write("staff/s-1", name="Juno Marrowby", role="data-manager", active=True)
        story.write("patient/p-1", family_name="Greyfen", local_id="TH-1", address="1 Road")
        story.write("case/c-1", patient="patient/p-1")
        for name, device in (("k-1", {"lot": "vk-4417"}), ("k-2", {"lot_unknown": True})):
            on = {"case": "case/c-1", "at": "2026-03-16T10:00:00+00:00"}
            story.write(f"coil_placed/{name}", device=device, **on)
        story.write("stock_item/7", item="coil", name="Coil 14 mm")
        came = {"stock": "stock_item/7", "device": {"lot": "VK4417"}, "change": 3}
        story.write("stock_movement/m-1", **came, reason="delivered")
    store.close()
    return tmp_path


def _run(folder, *arguments):
    found = CliRunner().invoke(main, [*map(str, arguments), "--data", str(folder / "unit")])
    return found.exit_code, found.output


def test_a_lot_is_found_and_the_lists_are_written(folder):
    """[HAZ-46] The unknown stand under a heading of their own."""
    listed, letters = folder / "list.csv", folder / "letters.csv"
    asked = ("find-lot", "VK4417", *WHO, *WHY, "--csv", listed, "--letters", letters)

    code, told = _run(folder, *asked)

    assert code == 0
    assert told.index("This lot (1):") < told.index("Nobody knows: look into these cases (1):")
    assert "2026-03-16  TH-1  Greyfen  coil placed  lot vk-4417  case/c-1" in told
    assert told.endswith("Patients found: 1. Further patients whose lot nobody knows: 0.\n")
    groups = [row["group"] for row in csv.DictReader(listed.read_text().splitlines())]
    assert groups == ["same", "unknown"]
    rows = list(csv.DictReader(letters.read_text().splitlines()))
    assert [(row["number"], row["withheld"]) for row in rows] == [("TH-1", "")]


@pytest.mark.parametrize(
    ("period", "said", "unknown"),
    [
        (("--from", "2026-03-01", "--to", "2026-03-16"), "from 2026-03-01 to 2026-03-16", 1),
        (("--from", "2026-03-17"), "from 2026-03-17 on", 0),
        (("--to", "2026-03-15"), "up to 2026-03-15", 0),
    ],
)
def test_the_period_of_the_unknown_lots_is_told(folder, period, said, unknown):
    """[LT8] Caught: an answer did not say of which days its unknown lots were."""
    code, told = _run(folder, "find-lot", "QQ1111", *period, *WHO, *WHY)

    assert code == 0
    assert f"Further patients whose lot nobody knows: {unknown}.\n" in told
    assert told.endswith(f"Unknown lots are listed {said}, and where nobody knows the day.\n")
    code, told = _run(folder, "find-lot", "QQ1111", *WHO, *WHY)
    assert "Unknown lots are listed" not in told


def test_letters_are_printed_where_a_pdf_is_asked_for(folder):
    """[HAZ-46] Who has no letter is told with the reason."""
    letters = folder / "letters.pdf"
    asked = ("find-lot", "VK4417", *WHO, *WHY, "--letters", letters)
    code, told = _run(folder, *asked)
    assert (code, "has not stated its unit_name" in told) == (2, True)
    store = open_unit_store(folder / "unit", new_generation="generation-2")
    propose(store, settings_file())
    with store.transaction():
        story = Story(store, device="tablet-t", now_ms=NOON_MS + 60_000)
        story.write("patient/p-2", family_name="Larkmoor", local_id="TH-2")
        story.write("case/c-2", patient="patient/p-2")
        on = {"case": "case/c-2", "at": "2026-03-16T10:00:00+00:00"}
        story.write("coil_placed/k-3", device={"lot": "VK4417"}, **on)
    store.close()

    code, told = _run(folder, *asked)

    assert code == 0
    (page,) = [one.extract_text() for one in pypdf.PdfReader(letters).pages]
    assert "1 Road" in page
    assert "No letter to TH-2: No address is recorded." in told
    assert "Letters: 1. Withheld: 1." in told


def test_the_same_answer_goes_on_as_json(folder):
    """[LT5] Cautions stand on standard error, the answer alone on standard output."""
    asked = ("find-lot", "--identifier", "9506000134359", *WHO, *WHY, "--format", "json")

    found = CliRunner().invoke(main, [*asked, "--data", str(folder / "unit")])

    told = json.loads(found.stdout)
    assert {one["group"] for one in told["implants"]} == {"unknown"}
    assert "check digit" in told["cautions"][0]


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (("find-lot", *WHO, *WHY), "names nothing to search by"),
        (("find-lot", "--", "-"), "--by"),
        (("find-lot", "VK1", "--expires-to", "soon", *WHO, *WHY), "must be a date"),
        (("find-lot", "VK1", "--by", "Juno", *WHY), "Say who searches"),
        (
            ("find-lot", "VK1", "--from", "2026-03-02", "--to", "2026-03-01", *WHO, *WHY),
            "to_on lies before search.from_on",
        ),
        (("recall", "add", "VK1", "--reason", "why", "--issued-on", "May", *WHO), "is no day"),
        (("recall", "withdraw", "recall_notice/x", *WHO, *WHY), "is no notice here"),
    ],
)
def test_what_cannot_be_done_is_refused_with_what_to_do(folder, asked, sentence):
    code, told = _run(folder, *asked)
    assert (code, sentence in told) == (2, True)


def test_a_notice_is_entered_listed_with_its_reach_and_withdrawn(folder):
    """[HAZ-46]."""
    entered = ("recall", "add", "VK4417", "--item", "coil", "--reason", "The wire may break.")
    code, told = _run(folder, *entered, "--issued-on", "2026-03-20", *WHO)
    assert code == 0
    notice = told.split(" ")[0]

    code, told = _run(folder, "recall", "list", *WHO)

    assert code == 0
    assert f"{notice}, issued 2026-03-20: The wire may break." in told
    assert "TH-1" in told
    assert "on the shelf: Coil 14 mm, lot VK4417, 3 (this lot)" in told
    assert "Notices in force: 1." in told
    code, _ = _run(folder, "recall", "withdraw", notice, *WHO, "--because", "other maker")
    assert code == 0
    assert "Notices in force: 0." in _run(folder, "recall", "list", *WHO)[1]


def test_several_lots_in_one_text_are_each_searched_for_and_held(folder):
    """[HAZ-46] [LT12] [LT14] What is held is told, one lot a line.

    Caught: "L-0755-A VK4417" held as one lot, which no shelf has, without a word.
    """
    both = "LOT L-0755-A VK4417"
    code, told = _run(folder, "find-lot", both, *WHO, *WHY)
    assert code == 0
    assert "Searched for lot L-0755-A VK4417\nSearched for lot L-0755-A\n" in told
    assert "Patients found: 1." in told

    why = ("--reason", "The wire may break.", "--issued-on", "2026-03-20", *WHO)
    code, told = _run(folder, "recall", "add", both, *why)
    assert code == 0
    lines = ["L-0755-A VK4417", "L-0755-A", "VK4417"]
    assert told.splitlines()[1:] == [f"  holds lot {one}" for one in lines]
    assert "on the shelf: Coil 14 mm, lot VK4417, 3" in _run(folder, "recall", "list", *WHO)[1]

    code, told = _run(folder, "recall", "add", "VK 4417/7755", "--as-typed", *why)
    assert (code, told.splitlines()[1:]) == (0, ["  holds lot VK 4417/7755"])
