"""A patient erased at a unit is erased at the hub, and all of a unit that left can be."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import msgspec
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.erasure_list import FILE_NAME as LIST_NAME
from api.storage.erasure_list import read_erasure_list
from api.storage.outcome_rows import Choice
from api.storage.squeezed_bodies import unpack_bodies
from api.use_cases.erase_records import Consent, erase_records, finish_erasures
from api.use_cases.errors import NotAllowedError
from api.use_cases.hub_line import leave_hub
from api.use_cases.linkage_setting import allow_linkage
from api.use_cases.people import add_person
from api.use_cases.plan_erasure import plan_erasure
from api.use_cases.publish_to_hub import exchange_with_hub
from api.use_cases.registry_erasures import erase_unit, forget_for_unit, plan_erasure_of_unit
from api.use_cases.revoke_device import revoke_device
from api.use_cases.verify_log import verify_log
from sync.operation import decode_body
from tests.hub.recalled_network import open_unit
from tests.hub.standing_network import Line
from tests.unit.api.registry_unit import OF_CASES

LOT, OTHER_LOT = "L-0417-A", "QX77120"
WHY = "asked for in writing"


@pytest.fixture
def unit(tmp_path):
    """Two patients; what one of them may be found by leaves the unit, encoded."""
    found = open_unit(tmp_path, "tarn")
    allow_linkage(found.server.store, "a" * 64)
    found.care.treat("case/c-1", "patient/p-1", "2026-03-02")
    found.care.treat("case/c-2", "patient/p-2", "2026-04-06")
    other = {"family_name": "Marrowick", "given_name": "Bo", "born_on": "1955-01-20"}
    found.care.write("patient/p-2", **other)
    found.care.coil("coil_placed/c-2-2", "2026-04-06T10:20:00+00:00", "case/c-2", lot=OTHER_LOT)
    found.care.look("visit/v-1", "case/c-1", "2026-04-02", doppler_flow="no")
    found.care.look("visit/v-2", "case/c-2", "2026-05-04", doppler_flow="no")
    yield found
    found.server.close()


def _consent(server):
    people = [
        add_person(server.store, name, "data-manager", by="", chance=server.chance())
        for name in ("Juno Marrowby", "Ida Norrwood")
    ]
    return Consent(because=WHY, decided_by=people[0], agreed_by=people[1], also_implants=WHY)


def _erase(unit, *records):
    return erase_records(
        unit.server.store, records, _consent(unit.server), draw_chance=unit.server.chance
    )


def _told(store):
    """Return every text of the registry that a store still holds, by record."""
    with store.transaction():
        entries = store.operations.of_stream("registry", after=0, limit=1_000)
    found = {}
    for entry in entries:
        if entry.operation.body_text and decode_body(entry.operation.body_text).set:
            found.setdefault(entry.operation.record, []).append(entry.operation.body_text)
    return found


def _everything(store):
    """Return every byte of a store's tables, its squeezed texts unpacked."""
    connection = store.erasures._connection
    names = [
        name
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        if not name.startswith("sqlite_")
    ]
    rows = [row for name in names for row in connection.execute(f"SELECT * FROM {name}")]  # noqa: S608
    texts = [
        text
        for (content,) in connection.execute("SELECT content FROM bodies")
        for text in unpack_bodies(content)
    ]
    return repr(rows) + "\n".join(texts)


def _traits(store, count):
    """Return the encoded names and keys of patients, by record."""
    found = {}
    for record, texts in _told(store).items():
        for text in texts:
            if isinstance(traits := decode_body(text).set.get("traits"), dict):
                found[record] = [traits["names"], *traits["keys"]]
    assert len(found) == count
    return found


def test_a_patient_who_is_erased_is_forgotten_by_the_unit_and_by_the_hub(unit, hub):
    """[ER7] [ER1] [RG9] [PRIV-03] The planted bug it has caught: the registry left out of what an
    erasure takes, so that birth year, sex, encoded names, moved days and lots stayed in the unit's
    own file, and at the hub under a strike.
    """
    unit.server.join(hub)
    unit.exchange(hub)
    traits = _traits(hub.store, 2)
    before = set(_told(hub.store))

    plan = _erase(unit, "patient/p-1")
    unit.exchange(hub)

    # patient, case, coil and look of one, none of the other's.
    assert len(plan.told) == 4
    for store in (unit.server.store, hub.store):
        assert set(_told(store)) == before - set(plan.told)
        assert verify_log(store).findings == ()
        held = _everything(store)
        for record, words in traits.items():
            assert any(word in held for word in words) == (record not in plan.told)
    assert not set(hub.shown("registry_case")) & set(plan.told)
    # The hub hears pseudonyms alone.
    assert "patient/p-1" not in (hub.folder / LIST_NAME).read_text().replace("registry_patient", "")
    with hub.store.reading():
        every = Choice(from_on="", until_on="", unit="", mix=())
        counted = {record for (record,), _ in hub.store.outcomes.count(every, "record")}
    assert len(counted) == 1
    assert not counted & set(plan.told)


def test_what_was_erased_before_it_was_sent_keeps_no_round_up(unit, hub):
    """[ER7] [ER3] The planted bug it has caught: told after the round, so that the hub refused
    each entry that comes without its content, and nothing behind it ever came.
    """
    unit.server.join(hub)
    unit.care.publish()
    plan = _erase(unit, "patient/p-1")

    unit.exchange(hub)

    assert not set(_told(hub.store)) & set(plan.told)
    assert len(hub.shown("registry_patient")) == 1
    with hub.store.transaction():
        assert hub.store.erasures.listed().keys() == set(plan.told)
    assert verify_log(hub.store).findings == ()


def test_a_telling_that_was_cut_is_told_again_and_one_that_came_is_not(unit, hub):
    """[ER7] The planted bug it has caught: told in every round."""
    unit.server.join(hub)
    unit.exchange(hub)
    plan = _erase(unit, "patient/p-1")

    def count():
        return hub.asked.count("/api/network/erasures")

    line = _exchange_on(unit, hub, "2026-09-21", lambda number: "after" if number == 2 else "")
    # The first is asked again, signed with the nonce that came along.
    assert line.sentence
    assert (count(), set(_told(hub.store)) & set(plan.told)) == (2, set())
    _exchange_on(unit, hub, "2026-09-21")
    assert count() > 2
    told = count()
    _exchange_on(unit, hub, "2026-09-21")

    assert count() == told


def test_a_hub_put_back_without_its_list_forgets_again(unit, hub, tmp_path):
    """[ER7] [ER5] The planted bug it has caught: told once for ever."""
    unit.server.join(hub)
    unit.exchange(hub)
    hub.copy(tmp_path / "older")
    plan = _erase(unit, "patient/p-1")
    unit.exchange(hub)
    hub.put_back(tmp_path / "older")
    assert set(plan.told) <= set(_told(hub.store))

    _exchange_on(unit, hub, "2026-09-22")
    _exchange_on(unit, hub, "2026-09-22")

    assert not set(_told(hub.store)) & set(plan.told)


def test_a_unit_put_back_from_before_reads_no_erased_record_from_the_hub(unit, hub, tmp_path):
    """[ER7] [ER5] The planted bug it has caught: what comes back without its content was set
    aside, with a sentence about the hub.
    """
    unit.server.join(hub)
    unit.server.copy(tmp_path / "older")
    unit.care.store = unit.server.store
    unit.exchange(hub)
    plan = _erase(unit, "patient/p-1")
    unit.exchange(hub)
    kept = (unit.server.folder / LIST_NAME).read_bytes()
    unit.server.put_back(tmp_path / "older")
    (unit.server.folder / LIST_NAME).write_bytes(kept)
    finish_erasures(unit.server.store, draw_chance=unit.server.chance)

    for _ in range(2):
        _exchange_on(unit, hub, "2026-09-21")

    store = unit.server.store
    with store.transaction():
        assert set(store.erasures.tree_of(plan.told)) == set(plan.told)
    assert not set(_told(unit.server.store)) & set(plan.told)
    assert unit.server.store.operations.quarantined() == []
    assert verify_log(unit.server.store).findings == ()


def _exchange_on(unit, hub, today, cut=lambda _: ""):
    return exchange_with_hub(
        unit.server.store,
        build="test",
        today=today,
        draw_chance=unit.server.chance,
        open_transport=lambda: Line(hub, cut),
    )


def test_a_unit_erases_nothing_of_another_and_nothing_of_the_hub(unit, hub, tmp_path):
    """[ER7] [RG14] [SEC-24]"""
    unit.server.join(hub)
    unit.exchange(hub)
    other = open_unit(tmp_path, "fen")
    other.server.join(hub)
    mine = sorted(_told(hub.store))[0]

    for record in (mine, "network_recall/r-1", "staff/s-1"):
        with pytest.raises(NotAllowedError, match="erases its own"):
            forget_for_unit(hub.store, other.server.device, [record], draw_chance=hub.chance)

    assert mine in _told(hub.store)
    other.server.close()


def test_several_units_tell_at_once_while_others_are_served(hub):
    """[ER7] [ER5] The planted bugs it has caught: the list read and written outside of the turn,
    so that one of two lost its entry; the file rewritten while another thread was in a transaction.
    """
    telling = range(4)
    is_over = threading.Event()

    def tell(number):
        for place in range(5):
            name = f"registry_patient/{number}{place}"
            forget_for_unit(hub.store, f"unit-{number}", [name], draw_chance=hub.chance)

    def serve():
        while not is_over.is_set():
            with hub.store.transaction():
                hub.store.keep_fact("served", "1")
                time.sleep(0.001)

    with ThreadPoolExecutor(5) as threads:
        serving = threads.submit(serve)
        told = [threads.submit(tell, number) for number in telling]
        try:
            for one in told:
                one.result()
        finally:
            is_over.set()
        serving.result()

    names = {f"registry_patient/{number}{place}" for number in telling for place in range(5)}
    assert {record for one in read_erasure_list(hub.folder) for record in one.of} == names
    with hub.store.transaction():
        assert hub.store.erasures.listed().keys() == names
    assert verify_log(hub.store).findings == ()


def test_all_of_a_unit_that_left_can_be_erased_at_the_hub_once_it_is_revoked(unit, hub):
    """[ER7] [ER2] The planted bug it has caught: "belongs to the unit itself and stays", so that
    what a unit had told stood at the hub for ever.
    """
    unit.server.join(hub)
    unit.exchange(hub)
    device = unit.server.device
    leave_hub(unit.server.store)
    with pytest.raises(NotAllowedError, match="Revoke it first"):
        plan_erasure_of_unit(hub.store, device)
    revoke_device(hub.store, device, now_ms=hub.environment.now_ms())
    traits = _traits(hub.store, 2)
    consent = _consent(hub)
    with pytest.raises(NotAllowedError, match="say what is in a patient"):
        erase_unit(
            hub.store,
            device,
            msgspec.structs.replace(consent, also_implants=""),
            draw_chance=hub.chance,
        )

    plan = erase_unit(hub.store, device, consent, draw_chance=hub.chance)

    assert len(plan.records) >= 9
    assert _told(hub.store) == {}
    assert not any(hub.shown(kind) for kind in OF_CASES)
    held = _everything(hub.store)
    assert not any(word in held for words in traits.values() for word in words)
    assert verify_log(hub.store).findings == ()
    with hub.store.transaction():
        assert hub.store.standings.latest() == []
    with pytest.raises(NotAllowedError, match="nothing to erase"):
        plan_erasure_of_unit(hub.store, device)


def test_the_command_at_the_hub_says_what_would_go_of_a_unit_and_erases_it(unit, hub):
    """[ER7]"""
    unit.server.join(hub)
    unit.exchange(hub)
    device = unit.server.device
    revoke_device(hub.store, device, now_ms=hub.environment.now_ms())
    consent = _consent(hub)
    hub.close()
    words = ["erase", "--unit", device, "--data", str(hub.folder)]
    said = ["--because", WHY, "--decided-by", consent.decided_by, "--agreed-by", consent.agreed_by]

    dry = CliRunner().invoke(main, [*words, "--dry-run"])
    both = CliRunner().invoke(main, [*words, "patient/p-1", *said])
    done = CliRunner().invoke(main, [*words, *said, "--also-implants", WHY])
    hub.open()

    assert "registry_implant" in dry.output
    assert "would go" in dry.output
    assert "Devices drop theirs" not in dry.output
    assert (both.exit_code, "one --unit at its hub" in both.output) == (2, True)
    assert (done.exit_code, _told(hub.store)) == (0, {})


def test_two_people_at_the_hub_erase_one_patient_that_a_unit_told(unit, hub):
    """[ER7] [ER2] What the unit tells of that patient afterwards is kept without its content."""
    unit.server.join(hub)
    unit.exchange(hub)
    (patient, *_) = sorted(hub.shown("registry_patient"))

    plan = erase_records(hub.store, [patient], _consent(hub), draw_chance=hub.chance)

    assert {one.split("/")[0] for one in plan.records} >= {"registry_patient", "registry_case"}
    assert not set(_told(hub.store)) & set(plan.records)
    unit.care.write("patient/p-1", sex="male")
    unit.care.write("patient/p-2", sex="male")
    unit.exchange(hub)
    assert not set(_told(hub.store)) & set(plan.records)
    assert verify_log(hub.store).findings == ()


def test_a_unit_that_told_nobody_makes_no_key_for_an_erasure(unit):
    """[ER7]"""
    (unit.server.folder / "crura.site-key").unlink(missing_ok=True)
    before = {path.name for path in unit.server.folder.iterdir()}

    plan = plan_erasure(unit.server.store, ["patient/p-1"])

    assert plan.told == ()
    assert {path.name for path in unit.server.folder.iterdir()} == before
