"""Commands at the hub: recalls and links from a shell, two people by name, plain refusals."""

import json

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.linkage.person_traits import Person
from api.storage.unit_store import open_unit_store
from api.use_cases.linkage_setting import read_number_country
from tests.unit.api.network_hub import FEN, TARN, open_hub

LIST = ("links", "list", "--format", "json")
ODETE = Person(id="", family_name="Marrowick", given_name="Odete", born_on="1957-08-03")


@pytest.fixture
def folder(tmp_path):
    hub = open_hub(tmp_path / "hub")
    for unit, name in ((TARN, "a"), (FEN, "b")):
        hub.patient(unit, name, ODETE)
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    hub.write(
        TARN, "registry_implant/i", case="registry_case/c", item="coil", lot="VK4417", count=2
    )
    hub.store.close()
    return tmp_path / "hub", people


def _run(folder, *words):
    return CliRunner().invoke(main, ["hub", *words, "--data", str(folder)])


def test_two_people_join_by_name_and_two_part(folder):
    """[HAZ-41] [HAZ-42]"""
    where, (first, second) = folder
    listed = _run(where, "links", "list", "--format", "json")
    assert listed.exit_code == 0, listed.output
    (link,) = [one["link"] for one in json.loads(listed.output)["links"]]

    assert "once a second person" in _run(where, "links", "join", link, "--by", first).output
    again = _run(where, "links", "join", link, "--by", first)
    assert (again.exit_code, "second person" in again.output) == (2, True)
    assert "is joined" in _run(where, "links", "join", link, "--by", second).output
    shown = _run(where, "links", "list", "--state", "joined").output
    assert "agreed: Ida Norrwood" in shown
    assert "Tarn Hollow" in shown
    assert "points: start -15.6, names " in shown
    because = ("--because", "joined-in-error", "--by")
    assert "stays joined" in _run(where, "links", "part", link, *because, first).output
    assert "Taken back" in _run(where, "links", "take-back", link, "--by", first).output
    assert "stays joined" in _run(where, "links", "part", link, *because, second).output
    assert "says to part them: Juno" in _run(where, "links", "list").output
    assert "is parted" in _run(where, "links", "part", link, *because, first).output
    assert "Links joined: 0." in _run(where, "links", "list", "--state", "joined").output
    reopened = _run(where, "links", "reopen", link, "--because", "new-facts", "--by", first)
    assert "is open again" in reopened.output


def test_a_recall_is_sent_listed_written_as_csv_and_withdrawn(folder, tmp_path):
    """[HAZ-46]"""
    where, (first, _) = folder
    said = ("--reason", "Coil may break", "--issued-on", "2026-03-10", "--by", first)
    sent = _run(where, "recall", "add", "VK4417", *said, "--item", "coil")
    assert sent.exit_code == 0, sent.output
    notice = sent.output.split()[0]

    told = _run(where, "recall", "list").output
    assert "Tarn Hollow: reported 2 exact, 0 near, 0 of unknown lot; no answer yet; " in told
    assert "Notices in force: 1." in told
    sheet = tmp_path / "recall.csv"
    _run(where, "recall", "list", "--notice", notice, "--csv", str(sheet))
    assert sheet.read_text().count("\n") == 4
    assert _run(where, "recall", "list", "--csv", str(sheet)).exit_code == 2
    end = _run(where, "recall", "withdraw", notice, "--because", "taken back", "--by", first)
    assert "is withdrawn" in end.output
    assert "Notices in force: 0." in _run(where, "recall", "list").output
    unknown = _run(where, "recall", "add", "VK4417", *said, "--to", "unit-x")
    assert (unknown.exit_code, "no unit here" in unknown.output) == (2, True)


def test_at_a_unit_neither_is_done(tmp_path):
    open_unit_store(tmp_path / "unit", new_generation="g").close()

    for words in (("links", "list"), ("recall", "list")):
        refused = _run(tmp_path / "unit", *words)
        assert (refused.exit_code, "Run this at the hub" in refused.output) == (2, True)


def _noted(folder, thing):
    store = open_unit_store(folder, new_generation="generation-2")
    with store.transaction():
        lines = list(store.access.lines())
    store.close()
    return [(one.verb, one.asker, one.why) for one in lines if one.object == thing]


def test_the_trail_says_that_it_was_by_command_and_as_whom(folder):
    """[AU5] Whoever holds the shell of the server can be both of two people there.

    Caught: a recall written or withdrawn by command stood in no trail of access.
    """
    where, (first, second) = folder
    (link,) = [one["link"] for one in json.loads(_run(where, *LIST).output)["links"]]
    for by in (first, second):
        _run(where, "links", "join", link, "--by", by)
    said = ("--reason", "Coil may break", "--issued-on", "2026-03-10", "--by", first)
    notice = _run(where, "recall", "add", "VK4417", *said).output.split()[0]
    _run(where, "recall", "withdraw", notice, "--because", "taken back", "--by", second)

    assert [one for one in _noted(where, "network-links") if one[0] == "agree"] == [
        ("agree", "machine", f"by command, as {first}: "),
        ("agree", "machine", f"by command, as {second}: "),
    ]
    assert _noted(where, "network-recalls") == [
        ("write", "machine", f"by command, as {first}: Coil may break"),
        ("withdraw", "machine", f"by command, as {second}: taken back"),
    ]


def test_a_unit_says_by_command_whose_national_numbers_its_patient_numbers_are(tmp_path):
    """[RG9] [HAZ-42] It says none until then, and NONE takes it back."""
    where = tmp_path / "unit"
    open_unit_store(where, new_generation="generation-1").close()
    key = tmp_path / "network-key"
    assert _run(where, "linkage").exit_code == 2
    assert "Allow it first" in _run(where, "linkage", "--national-numbers-of", "GB").output
    made = CliRunner().invoke(main, ["hub", "linkage-key", str(key)])
    assert made.exit_code == 0, made.output
    said = ("--key-file", str(key), "--national-numbers-of")
    assert "one of: BE, BR" in _run(where, "linkage", *said, "XX").output
    both = _run(where, "linkage", *said, "gb").output
    assert "valid national numbers of GB are compared" in both
    assert _numbers(where) == "GB"
    assert "No patient number counts" in _run(where, "linkage", *said[2:], "none").output
    assert _numbers(where) == ""
    assert _run(where, "linkage", "--off", *said[2:], "GB").exit_code == 2


def _numbers(where):
    store = open_unit_store(where, new_generation="generation-2")
    with store.transaction():
        found = read_number_country(store)
    store.close()
    return found
