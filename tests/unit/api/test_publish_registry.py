"""Publishing: what differs is written, what vanished is struck, and nothing twice."""

import json
import stat
from pathlib import Path

import pyrage
import pytest

from api.clinical_rules.civil_date import add_days, days_between
from api.linkage.encoded_traits import dice, encode_text
from api.registry.date_shift import find_delay
from api.registry.pseudonyms import pseudonym_of
from api.storage.backups import write_backup
from api.storage.encrypted_backups import opened_backup, write_encrypted_backup
from api.storage.errors import StorageError
from api.storage.site_key import FILE_NAME, NETWORK_KEY_NAME, load_site_key
from api.use_cases import publish_registry
from api.use_cases.erase_records import Consent, erase_records
from api.use_cases.errors import CalculationError, UseCaseError
from api.use_cases.export_bundle import export_bundle
from api.use_cases.linkage_setting import (
    allow_linkage,
    forbid_linkage,
    read_number_country,
    say_national_numbers,
)
from api.use_cases.registry_log import begin_anew, registry_device
from api.use_cases.verify_log import verify_log
from tests.unit.api.registry_unit import CASE, NOW_MS, PATIENT, TODAY, registry_unit

NETWORK_KEY = bytes(range(64, 80))


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


def alone(told):
    (found,) = told.values()
    return {name: values[0] for name, values in found.items() if values != [None]}


def test_a_second_run_writes_nothing(unit):
    """[RG9] The planted bug it has caught: a list compared as another list."""
    unit.treat(indication="secondary-prophylaxis")
    unit.look(doppler_flow="no")
    unit.act("complication/a", "2026-03-20T08:00:00+00:00", what="bleeding")
    first = unit.publish()

    assert first == len(unit.operations()) == 5
    assert unit.publish() == 0
    assert verify_log(unit.store).findings == ()


def test_no_stamp_tells_on_which_day_a_time_after_the_treatment_was_over(unit):
    """[RG17] The planted bugs it has caught: told on its day, and a window on the day it closed."""
    treated_on = "2026-03-02"
    cases = [f"case/c-{number}" for number in range(12)]
    for number, case in enumerate(cases):
        unit.treat(case, f"patient/p-{number}", on=treated_on)
        unit.visit(f"visit/v-{number}", case, on="2026-04-02", patient=f"patient/p-{number}")
    told = {"window_days": {}, "windows_due": {}}
    seen = 0
    for days in range(120):
        on = add_days(treated_on, days)
        unit.publish(now_ms=NOW_MS + days_between(TODAY, on) * 86_400_000)
        operations = unit.operations()
        for one in operations[seen:]:
            said = json.loads(one.body_text)["set"]
            for field, of_field in told.items():
                if said.get(field):
                    of_field.setdefault(one.record, []).append((said[field], days))
        seen = len(operations)

    key = load_site_key(unit.store.folder)
    grace = min(days for held in told["windows_due"].values() for _, days in held)
    for case in cases:
        record, delay = pseudonym_of(key, case), find_delay(key, case)
        assert told["window_days"][record] == [
            (days, days + 1 + delay) for days in (5, 30, 42) if days + 1 + delay < 120
        ]
        [(_, closed)] = told["windows_due"][record]
        assert closed - delay == grace - min(find_delay(key, one) for one in cases)
    # Read at the unit, nothing is late.
    assert unit.case(cases[0])["window_days"] == 42


DAY_MS = 86_400_000


def test_what_counts_for_nothing_is_told_to_the_hub_too(unit):
    """[RG18] [RG16] The planted bug it has caught: the words fell out at the last door (RG8)."""
    unit.treat(imported_in="past_import/i-1")
    unit.visit("visit/v-1", status="ended", ended_because="died", ended_on="2026-03-20")
    unit.look("visit/v-2", on="2026-05-15", doppler_flow="no")
    unit.publish()

    assert alone(unit.told("registry_case"))["doubts"] == ["adverse_events", "bleeds"]
    assert alone(unit.told("registry_patient"))["doubts"] == ["deaths", "died_on"]


def test_a_clock_that_was_put_back_empties_nothing_at_the_hub(unit):
    """[RG23] By a day no case is lost, by more nothing is told and a sentence says why.

    The planted bug it has caught: a case that was treated "after today" lost its day of treatment
    and one that was not closed was struck, until the clock was right again.
    """
    unit.treat()
    unit.treat("case/c-2", "patient/p-2")
    unit.write("case/c-2", stage="procedure")
    unit.look(on="2026-04-02", doppler_flow="no", bled={"answer": "no"})
    unit.publish()
    told = unit.everything()
    for days in (3, 100, 365):
        with pytest.raises(CalculationError, match="Set the clock of this server") as refused:
            unit.publish(NOW_MS - days * DAY_MS)
    assert "says 2025-06-01" in str(refused.value)
    assert "until 2026-05-31" in str(refused.value)

    assert unit.everything() == told
    assert unit.publish(NOW_MS + 1_000) == 0
    unit.publish(NOW_MS - DAY_MS)
    assert all(one["treated_on"] != [None] for one in unit.told("registry_case").values())
    assert len(unit.told("registry_case")) == 2


def test_one_clock_that_was_ahead_holds_nothing_back(unit):
    """[RG23] Of a tablet, or of the server itself: one alone says nothing of today.

    The planted bug it has caught: nothing told to the hub until the day which one tablet named.
    """
    unit.treat()
    unit.publish()
    unit.story.now_ms = NOW_MS + 90 * DAY_MS
    unit.treat("case/c-2", "patient/p-2")

    assert unit.publish() > 0


def test_what_changed_is_written_over_and_nothing_else(unit):
    """[RG9]"""
    unit.treat(indication="acute-bleed", cause="viral")
    unit.publish()
    unit.write(CASE, indication="secondary-prophylaxis", cause=None)

    assert unit.publish() == 1
    told = alone(unit.told("registry_case"))
    assert told["indication"] == "secondary-prophylaxis"
    assert "cause" not in told
    assert json.loads(unit.operations()[-1].body_text)["set"] == {
        "indication": "secondary-prophylaxis",
        "cause": None,
    }
    assert unit.publish() == 0


def test_a_second_answer_takes_back_what_was_told(unit):
    """[RG3] [RG9] Of two answers neither stands at the hub either."""
    unit.treat(indication="acute-bleed")
    unit.publish()
    unit.write(CASE, sees=False, indication="secondary-prophylaxis")
    unit.publish()
    told = alone(unit.told("registry_case"))

    assert "indication" not in told
    assert told["doubts"] == ["indication"]


def test_what_was_struck_vanishes_with_all_that_was_ever_told_of_it(unit):
    """[RG9] [HAZ-49] Also what was written over.

    The planted bug it has caught: the last writing struck alone, and the one before came back.
    """
    unit.treat(indication="acute-bleed")
    coil = unit.coil("coil_placed/c-1-2", "2026-03-02T10:12:00+00:00", lot="L-0999-Z")
    unit.publish()
    unit.write(CASE, indication="secondary-prophylaxis")
    unit.publish()
    with unit.store.transaction():
        written = unit.store.operations.of_record(CASE)
    unit.strike(coil)
    assert unit.publish() == 2
    assert "L-0999-Z" not in str(unit.told("registry_implant"))
    unit.strike(*written)
    unit.publish()

    assert not any(unit.everything().values())
    assert unit.publish() == 0


def test_a_case_that_comes_back_is_told_again(unit):
    """[RG9] A retraction that was itself taken back."""
    unit.treat()
    with unit.store.transaction():
        (puncture,) = unit.store.operations.of_record("puncture/c-1")
        (coil,) = unit.store.operations.of_record("coil_placed/c-1-1")
    before = unit.publish() and unit.everything()
    unit.strike(puncture, coil)
    unit.publish()
    assert not unit.told("registry_case")
    unit.act("puncture/c-1", "2026-03-02T10:00:00+00:00")
    unit.coil("coil_placed/c-1-1", "2026-03-02T10:10:00+00:00")
    unit.publish()

    assert unit.everything() == before


def test_two_answers_of_the_unit_itself_heal(unit):
    """[RG9] As after an older backup was put back and the hub brought the newer answer."""
    unit.treat(indication="acute-bleed")
    unit.publish()
    (record,) = unit.told("registry_case")
    unit.write(record, sees=False, indication="secondary-prophylaxis")
    assert len(unit.told("registry_case")[record]["indication"]) == 2

    assert unit.publish() == 1
    assert unit.told("registry_case")[record]["indication"] == ["acute-bleed"]


def test_other_answers_of_the_unit_to_the_network_are_left_alone(unit):
    """[RG9]"""
    unit.treat()
    unit.publish()
    unit.write("registry_recall_answer/a", notice="network_recall/n", state="acknowledged")

    assert unit.publish() == 0
    assert unit.told("registry_recall_answer")


def test_the_log_for_the_network_names_no_person(unit):
    """[RG1] [SEC-24] Neither who treated nor who wrote."""
    unit.treat()
    unit.publish()
    with unit.store.transaction():
        own = registry_device(unit.store)

    for operation in unit.operations():
        body = json.loads(operation.body_text)
        assert (operation.device, body["by"], body["tapped_by"]) == (own, own, own)
        assert body.get("because", "") == ""


def test_traits_go_only_where_the_unit_allows_it_and_are_taken_back(unit):
    """[RG9] [DM-13] The planted bug it has caught: sent before anybody had allowed it."""
    unit.treat()
    unit.publish()
    assert "traits" not in alone(unit.told("registry_patient"))
    allow_linkage(unit.store, NETWORK_KEY.hex())
    assert unit.publish() == 1
    traits = alone(unit.told("registry_patient"))["traits"]

    assert dice(int(traits["names"], 16), encode_text("Greyfen Ada", NETWORK_KEY)) == 1
    assert (traits["birth_year"], traits["sex"]) == ("1961", "female")
    assert "national" not in traits, "TH-0042 is none"
    assert "1961-07-14" not in str(traits)
    assert unit.publish() == 0
    forbid_linkage(unit.store)
    assert unit.publish() == 1
    assert "traits" not in alone(unit.told("registry_patient"))
    assert not (unit.store.folder / NETWORK_KEY_NAME).exists()


NHS_NUMBER = "943 476 5919"


def national_of(unit):
    return alone(unit.told("registry_patient"))["traits"].get("national")


def test_a_patient_number_is_told_as_national_only_where_the_unit_has_said_so(unit):
    """[RG9] [HAZ-42] 943 476 5919 is the number that the NHS data dictionary shows how to check.

    Caught: any patient number that passed a check of the country of the site's holidays was told as
    a national one, and about one in eleven of those that a hospital draws does.
    """
    unit.treat()
    unit.write(PATIENT, local_id=NHS_NUMBER)
    allow_linkage(unit.store, NETWORK_KEY.hex())
    unit.publish()
    assert national_of(unit) is None, "the country of the holidays says nothing of patient numbers"

    say_national_numbers(unit.store, "GB")
    unit.publish()
    assert len(national_of(unit)) == 32
    assert "9434765919" not in str(unit.everything())

    say_national_numbers(unit.store, "")
    unit.publish()
    assert national_of(unit) is None, "what was told by it is taken back"


@pytest.mark.parametrize(
    ("country", "number"), [("GB", "943 476 5918"), ("GB", "TH-0042"), ("NL", NHS_NUMBER)]
)
def test_only_a_valid_number_of_the_country_that_was_named_is_told(unit, country, number):
    """[RG9]"""
    unit.treat()
    unit.write(PATIENT, local_id=number)
    allow_linkage(unit.store, NETWORK_KEY.hex())
    say_national_numbers(unit.store, country)
    unit.publish()

    assert national_of(unit) is None


def test_a_patient_number_of_two_answers_is_no_national_one(unit):
    """[RG9] Nobody knows which of the two is the person's."""
    unit.treat()
    unit.write(PATIENT, local_id=NHS_NUMBER)
    unit.write(PATIENT, local_id="TH-0042", sees=False)
    allow_linkage(unit.store, NETWORK_KEY.hex())
    say_national_numbers(unit.store, "GB")
    unit.publish()

    assert national_of(unit) is None


@pytest.mark.parametrize("country", ["XX", "GBR", "gb "])
def test_a_country_whose_numbers_cannot_be_checked_is_refused(unit, country):
    allow_linkage(unit.store, NETWORK_KEY.hex())
    with pytest.raises(UseCaseError, match="Name the country of your patient numbers"):
        say_national_numbers(unit.store, country)


def test_national_numbers_need_linkage_and_end_with_it(unit):
    with pytest.raises(UseCaseError, match="Allow it first"):
        say_national_numbers(unit.store, "GB")
    allow_linkage(unit.store, NETWORK_KEY.hex())
    say_national_numbers(unit.store, "GB")
    forbid_linkage(unit.store)
    allow_linkage(unit.store, NETWORK_KEY.hex())

    with unit.store.transaction():
        assert read_number_country(unit.store) == ""


@pytest.mark.parametrize("text", ["", "no key", "00" * 15, "zz" * 16])
def test_what_is_no_key_of_a_network_is_refused(unit, text):
    with pytest.raises(UseCaseError, match="as another unit of the network has them"):
        allow_linkage(unit.store, text)


def test_a_networks_key_that_is_gone_stops_publishing_with_a_sentence(unit):
    """[RG9] Nothing half told."""
    unit.treat()
    allow_linkage(unit.store, NETWORK_KEY.hex())
    (unit.store.folder / NETWORK_KEY_NAME).unlink()

    with pytest.raises(StorageError, match="Lay the network's key down again"):
        unit.publish()
    assert unit.operations() == []


def test_the_site_key_is_made_once_for_its_owner_alone_and_leaves_in_no_bundle(unit, tmp_path):
    """[RG1] [SEC-24]"""
    unit.treat()
    unit.publish()
    path = unit.store.folder / FILE_NAME
    key = load_site_key(unit.store.folder)
    export_bundle(unit.store, tmp_path / "bundle", streams=(), now_ms=NOW_MS)
    with unit.store.transaction():
        facts = unit.store._database.connection.execute("SELECT content FROM fact").fetchall()

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert key == load_site_key(unit.store.folder)
    assert len(key) == 32
    secrets = (key, key.hex().encode())
    for file in (tmp_path / "bundle", *unit.store.folder.glob("crura.sqlite3*")):
        assert not any(secret in file.read_bytes() for secret in secrets)
    assert key.hex() not in str(facts)


def test_after_a_lost_site_key_everything_is_told_anew_under_other_names(unit):
    """[RG1]"""
    unit.treat()
    unit.publish()
    before = unit.everything()
    (unit.store.folder / FILE_NAME).unlink()
    unit.publish()
    after = unit.everything()

    for kind, told in before.items():
        assert len(after[kind]) == len(told)
        assert not set(after[kind]) & set(told)


@pytest.mark.parametrize("content", ["", "abcd", "not a key\n", "é"])
def test_a_file_that_holds_no_key_is_told_of_in_one_sentence(tmp_path, content):
    (tmp_path / FILE_NAME).write_text(content, encoding="utf-8")

    with pytest.raises(StorageError, match="holds no key of ours"):
        load_site_key(tmp_path)


def test_the_keys_are_in_a_backup_for_its_recipients_and_in_none_in_clear(unit, tmp_path):
    """[RG1] [SEC-25] Put back elsewhere, the unit goes on under the pseudonyms that it told."""
    unit.treat()
    allow_linkage(unit.store, NETWORK_KEY.hex())
    unit.publish()
    identity = pyrage.x25519.Identity.generate()
    (tmp_path / "identity").write_text(f"{identity}\n")
    plain, sealed, elsewhere = tmp_path / "plain", tmp_path / "sealed", tmp_path / "elsewhere"
    write_backup(unit.store, plain)
    write_encrypted_backup(unit.store, unit.store.folder, sealed, (str(identity.to_public()),))
    elsewhere.mkdir()
    with opened_backup(sealed, elsewhere, tmp_path / "identity"):
        kept = {name: (elsewhere / name).read_bytes() for name in (FILE_NAME, NETWORK_KEY_NAME)}

    assert kept == {name: (unit.store.folder / name).read_bytes() for name in kept}
    assert all(stat.S_IMODE((elsewhere / name).stat().st_mode) == 0o600 for name in kept)
    for key in (load_site_key(unit.store.folder), NETWORK_KEY):
        for file in (sealed, *tmp_path.glob("plain*")):
            if file.is_file():
                assert key not in file.read_bytes()
                assert key.hex().encode() not in file.read_bytes()


def test_nobody_but_publishing_and_a_question_about_a_link_reads_the_site_key():
    """[SEC-24] What never reads it can hand it to nobody: no route, document, export or log."""
    root = Path(__file__).resolve().parents[3] / "api"
    readers = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        if "site_key" in path.read_text(encoding="utf-8")
        and not path.is_relative_to(root / "registry")
    }

    assert readers == {
        # Its pages of the backup for recipients, the length of a new key, and the key's own module.
        "storage/encrypted_backups.py",
        "storage/site_key.py",
        "linkage_commands.py",
        "use_cases/linkage_setting.py",
        "use_cases/publish_registry.py",
        "use_cases/answer_links.py",
        # Finds what was told of a patient who is erased (ER7).
        "use_cases/told_records.py",
    }


def test_an_idle_round_reads_no_case(unit, monkeypatch):
    """[RG10] Caught: each derived every case anew, 1.2 s for 600, the longest step under a lock."""
    read = []
    whole = publish_registry.read_registry_records
    monkeypatch.setattr(
        publish_registry,
        "read_registry_records",
        lambda *of, **how: read.append(how["on"]) or whole(*of, **how),
    )

    def is_idle(**when):
        read.clear()
        return unit.publish(**when) == 0 and read == []

    def settle(**when):
        assert unit.publish(**when) > 0
        assert not is_idle(**when), "that nothing differs has to be seen once"
        assert is_idle(**when)

    unit.treat()
    settle()
    unit.treat("case/c-2", "patient/p-2", on="2026-04-07")
    settle()
    tomorrow = NOW_MS + 86_400_000
    assert not is_idle(now_ms=tomorrow)
    # By the drawn key a window may have passed overnight: then that was written, and is seen once.
    is_idle(now_ms=tomorrow)
    assert is_idle(now_ms=tomorrow)
    allow_linkage(unit.store, NETWORK_KEY.hex())
    settle(now_ms=tomorrow)
    forbid_linkage(unit.store)
    settle(now_ms=tomorrow)
    (unit.store.folder / FILE_NAME).write_text("5a" * 32)
    settle(now_ms=tomorrow)
    with unit.store.transaction():
        begin_anew(unit.store, new_epoch=f"{7:016x}")
    settle(now_ms=tomorrow)


def test_what_was_erased_is_struck_at_the_hub(unit):
    """[RG9] [ER4]"""
    unit.write("staff/s-2", name="Pell", role="data-manager", active=True)
    unit.write("staff/s-3", name="Wren", role="endoscopist", active=True)
    unit.treat()
    unit.publish()
    assert unit.told("registry_implant")
    erase_records(
        unit.store,
        [PATIENT, CASE],
        Consent(
            because="asked for",
            decided_by="staff/s-2",
            agreed_by="staff/s-3",
            also_implants="asked for in writing",
        ),
        draw_chance=unit.draw_chance,
    )
    unit.publish()

    assert not any(unit.everything().values())
