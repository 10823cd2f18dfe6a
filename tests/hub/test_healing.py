"""A hub or a unit put back to an older copy heals: nothing is lost, and nothing is told twice."""

import random

import msgspec
import pytest

from api.storage.hub_requests import HubRequests
from api.storage.p256 import write_base64
from api.use_cases.hub_answers import Page, read_answer
from api.use_cases.hub_heads import forget_hub_heads
from api.use_cases.hub_line import join_hub
from api.use_cases.older_copy import mark_put_back
from api.use_cases.registry_log import registry_key
from api.use_cases.verify_log import verify_log
from sync.clock import DAY_MS, Stamp
from sync.operation import Body, make_operation
from sync.signing import BroughtHead, write_head_text
from tests.hub.standing_network import ADDRESS, Line, NetworkUnit
from tests.hub.test_forwarding import single
from tests.unit.api.standing_unit import NOON_MS


def put_back(process, place, *, generation=""):
    """Put an older copy back; with a generation as `crura restore` does, else by hand."""
    process.put_back(place)
    if generation:
        with process.store.transaction():
            now_ms = process.environment.now_ms()
            mark_put_back(process.store, now_ms=now_ms, new_generation=generation)


def settle(hub, units):
    """Let every unit exchange until nothing new comes, and say that all is told."""
    for _ in range(3):
        for unit in units:
            unit.exchange(hub)
    for unit in units:
        line = unit.exchange(hub)
        assert (line.standing, line.unsent, line.refused) == ("joined", 0, 0), line.sentence


def assert_told_once(hub, units):
    wanted = {}
    for unit in units:
        assert unit.shown("registry_patient") == single(unit)
        wanted |= single(unit)
    assert hub.shown("registry_patient") == wanted
    for process in (hub, *units):
        assert verify_log(process.store).findings == ()


def count(process):
    with process.store.transaction():
        return process.store.operations.count()


def notice(number):
    return f"network_recall/{number:032x}"


def write_notice(hub, number, to=()):
    hub.write({notice(number): {"reason": "seal", "state": "in-force", "to": list(to)}})


def test_a_hub_put_back_to_an_older_copy_has_all_again(hub, units, tmp_path):
    """[EX3] [EX10] [RG13] Its own notices come back by the units that had read them.

    Planted and caught: `why_not_brought` without the hub's own notices.
    """
    for unit in units:
        unit.join(hub)
        unit.tell(1, birth_year=1950)
    write_notice(hub, 1)
    settle(hub, units)
    hub.copy(tmp_path / "older")
    for unit in units:
        unit.tell(1, birth_year=1951)
        unit.tell(2, sex="male")
    write_notice(hub, 2)
    write_notice(hub, 3, [units[0].device])
    settle(hub, units)
    held = {unit.name: unit.shown("network_recall") for unit in units}

    put_back(hub, tmp_path / "older", generation="hub-generation-2")
    assert set(hub.shown("network_recall")) == {notice(1)}
    settle(hub, units)

    assert_told_once(hub, units)
    assert set(hub.shown("network_recall")) == {notice(number) for number in (1, 2, 3)}
    write_notice(hub, 4)
    settle(hub, units)
    for unit in units:
        assert unit.shown("network_recall").items() >= held[unit.name].items()
        assert notice(4) in unit.shown("network_recall")
    # What comes back is read as before: by all, or by those whom it names.
    late = NetworkUnit(tmp_path / "late", "late")
    late.join(hub)
    settle(hub, [late])
    assert set(late.shown("network_recall")) == {notice(number) for number in (1, 2, 4)}
    late.close()


def withdraw(hub, record):
    with hub.store.transaction():
        over = {"state": hub.store.views.state_of(record).fields["state"].references}
    hub.write({record: {"state": "withdrawn"}}, over={record: over})


def states(process, kind):
    return {record: told["state"] for record, told in process.shown(kind).items()}


def set_aside(hub):
    with hub.store.transaction():
        return [one.op_id for one in hub.store.operations.quarantined()]


LINK, FILE = f"network_link/{7:032x}", "network_rule_file/ulcer-1001"


def test_what_a_hub_had_signed_comes_back_whole_withdrawals_too(hub, units, tmp_path):
    """[RG13] [HAZ-46] [EX10]

    Caught: of all that people of the hub had done since the copy only the beginning of a recall
    came back: a withdrawn recall, and an offer taken back, stood in force again.
    """
    for unit in units:
        unit.join(hub)
    both = sorted(unit.device for unit in units)
    write_notice(hub, 1)
    hub.write({FILE: {"state": "offered"}, LINK: {"state": "joined", "units": both}})
    settle(hub, units)
    hub.copy(tmp_path / "older")
    withdraw(hub, notice(1))
    withdraw(hub, FILE)
    write_notice(hub, 2, [units[0].device])
    withdraw(hub, notice(2))
    with hub.store.transaction():
        over = {"state": hub.store.views.state_of(LINK).fields["state"].references}
    hub.write({LINK: {"state": "parted"}}, over={LINK: over})
    settle(hub, units)

    put_back(hub, tmp_path / "older", generation="hub-generation-2")
    assert states(hub, "network_recall") == {notice(1): ["in-force"]}
    settle(hub, units)

    for process in (hub, units[0]):
        found = states(process, "network_recall")
        assert found == {notice(1): ["withdrawn"], notice(2): ["withdrawn"]}
        assert states(process, "network_rule_file") == {FILE: ["withdrawn"]}
        assert states(process, "network_link") == {LINK: ["parted"]}
    assert states(units[1], "network_recall") == {notice(1): ["withdrawn"]}
    assert set_aside(hub) == []
    write_notice(hub, 3)
    settle(hub, units)
    for process in (hub, *units):
        assert verify_log(process.store).findings == ()


def test_what_people_of_a_hub_did_anew_since_it_was_put_back_stands(hub, units, tmp_path):
    """[RG13] Two words side by side would say neither; what was lost lies aside and is told."""
    tarn = units[0]
    tarn.join(hub)
    hub.write({FILE: {"state": "offered"}})
    settle(hub, [tarn])
    hub.copy(tmp_path / "older")
    withdraw(hub, FILE)
    write_notice(hub, 1)
    withdraw(hub, notice(1))
    settle(hub, [tarn])

    put_back(hub, tmp_path / "older", generation="hub-generation-2")
    hub.environment.moved["drawn"] += 1_000
    with hub.store.transaction():
        over = {"state": hub.store.views.state_of(FILE).fields["state"].references}
    hub.write({FILE: {"state": "offered"}}, over={FILE: over})
    settle(hub, [tarn])

    assert states(hub, "network_rule_file") == {FILE: ["offered"]}
    assert states(hub, "network_recall") == {notice(1): ["withdrawn"]}
    assert len(set_aside(hub)) == 1


def test_of_what_no_signature_of_the_hub_covers_a_recall_begins_and_nothing_more(
    hub, units, tmp_path
):
    """[RG13] [SEC-24] A unit of an older release brings no heads; one that forges has no key."""
    tarn = units[0]
    tarn.join(hub)
    write_notice(hub, 1)
    settle(hub, [tarn])
    hub.copy(tmp_path / "older")
    hub.write({FILE: {"state": "offered"}})
    withdraw(hub, notice(1))
    write_notice(hub, 5)
    settle(hub, [tarn])
    with tarn.store.transaction():
        forget_hub_heads(tarn.store)

    put_back(hub, tmp_path / "older", generation="hub-generation-2")
    settle(hub, [tarn])

    assert hub.shown("network_rule_file") == {}
    assert states(hub, "network_recall") == {notice(1): ["in-force"], notice(5): ["in-force"]}
    assert len(set_aside(hub)) == 2
    assert verify_log(hub.store).findings == ()


@pytest.mark.parametrize("how", ["by another key", "over another entry", "of another log"])
def test_a_head_that_the_hub_did_not_sign_opens_nothing(hub, units, how):
    """[RG13] [SEC-24] Planted and caught: the key of the unit itself was enough."""
    tarn = units[0]
    tarn.join(hub)
    put_back_now(hub)
    forged = first_of("hub", FILE, state="offered")
    with hub.store.transaction(), tarn.store.transaction():
        right, wrong = registry_key(hub.store), registry_key(tarn.store)
    key = wrong if how == "by another key" else right
    named = "0" * 64 if how == "over another entry" else forged.hash
    epoch = "othere" if how == "of another log" else forged.epoch
    text = write_head_text("hub", epoch, 1, named)
    head = BroughtHead("hub", forged.epoch, 1, forged.hash, write_base64(key.sign(text.encode())))

    answer = resupply(hub, tarn, forged, heads=[head])

    assert answer.is_good
    assert hub.shown("network_rule_file") == {}
    assert set_aside(hub) == [forged.op_id]


def test_a_long_log_of_a_hub_comes_back_batch_by_batch_each_up_to_a_head(
    hub, units, tmp_path, monkeypatch
):
    """[RG13] Planted and caught: of two batches the first came without a head, and lay aside."""
    monkeypatch.setattr("api.use_cases.hub_batches.MAX_BATCH_COUNT", 40)
    monkeypatch.setattr("api.use_cases.hub_heads.APART", 10)
    tarn = units[0]
    tarn.join(hub)
    settle(hub, [tarn])
    hub.copy(tmp_path / "older")
    for number in range(60):
        write_notice(hub, number)
        withdraw(hub, notice(number))
        if number % 7 == 0:
            tarn.exchange(hub)
    settle(hub, [tarn])
    with tarn.store.transaction():
        heads = msgspec.json.decode(tarn.store.fact("signed heads of the hub"))
    assert [len(of_log) < 20 for of_log in heads.values()] == [True]

    put_back(hub, tmp_path / "older", generation="hub-generation-2")
    settle(hub, [tarn])

    assert set(map(str, states(hub, "network_recall").values())) == {"['withdrawn']"}
    assert len(states(hub, "network_recall")) == 60
    assert set_aside(hub) == []
    assert verify_log(hub.store).findings == ()


def test_a_hub_that_was_not_put_back_takes_nothing_in_its_own_name(hub, units):
    """[EX10]"""
    tarn = units[0]
    tarn.join(hub)
    write_notice(hub, 1)
    settle(hub, [tarn])
    with tarn.store.transaction():
        line = tarn.store.hub_line.find()
        tarn.store.hub_line.keep(type(line)(**{**_fields(line), "server": "another"}))

    told = tarn.exchange(hub)

    assert "not put back" in told.sentence
    settle(hub, [tarn])


def test_in_the_name_of_another_unit_nothing_is_brought_to_a_hub(hub, units, tmp_path):
    """[RG13] [RG14] [SEC-24] Whoever was put back: a unit has read nothing of another one.

    It was red before: the other unit's answer, and its patient, were what a third one said.
    """
    tarn, fen = units
    for unit in units:
        unit.join(hub)
    known = tarn.tell(1, birth_year=1950)
    settle(hub, units)
    before = hub.shown("registry_patient")
    put_back_now(hub)
    forged = first_of(tarn.device, known, birth_year=1920)

    answer = resupply(hub, fen, forged)

    assert answer.status == 403
    assert "of no other unit" in answer.sentence
    assert hub.shown("registry_patient") == before


def test_thirty_days_after_a_hub_was_put_back_it_takes_nothing_more(hub, units):
    """[RG13] Up to then its notice comes back; it was red before: there was no end.

    Planted and caught: the days were counted from the hub's first day.
    """
    tarn = units[0]
    tarn.join(hub)
    put_back_now(hub)
    fields = {"reason": "seal", "state": "in-force", "to": []}
    first, second = (first_of("hub", notice(number), **fields) for number in (7, 8))
    hub.environment.moved["ms"] += 30 * DAY_MS - 60_000
    assert resupply(hub, tarn, first).is_good
    hub.environment.moved["ms"] += 120_000

    answer = resupply(hub, tarn, second)

    assert answer.status == 403
    assert "more than 30 days ago" in answer.sentence
    assert set(hub.shown("network_recall")) == {notice(7)}


@pytest.mark.parametrize("wanted", ["page", "all"])
def test_a_unit_is_handed_the_heads_of_the_hub_and_of_no_other_unit(hub, units, wanted):
    """[SEC-24] [RG13] Planted and caught: of every log, as a tablet may ask for them."""
    for unit in units:
        unit.join(hub)
        unit.tell(1, birth_year=1950)
    write_notice(hub, 1)
    settle(hub, units)
    tarn = units[0]
    with tarn.store.transaction():
        line, key = tarn.store.hub_line.find(), registry_key(tarn.store)
    with HubRequests(ADDRESS, line.device, key, token=line.token, transport=Line(hub)) as requests:
        asked = {"stream": "registry", "after": 0, "limit": 100, "own": True, "heads": wanted}
        page = read_answer(requests.get("/api/exchange/pull", **asked), Page)

    assert {one.device for one in page.heads} == {"hub"}


def first_of(device, record, **fields):
    """Return what a device might have written first in a log of its own."""
    return make_operation(
        device=device,
        epoch=f"other{record[-1]}",
        counter=1,
        previous="",
        stream="registry",
        record=record,
        stamp=str(Stamp(NOON_MS, 0, device)),
        body=Body(salt="0" * 32, by="x", tapped_by="x", catalogue=8, set=fields),
    )


def put_back_now(hub):
    with hub.store.transaction():
        now_ms = hub.environment.now_ms()
        mark_put_back(hub.store, now_ms=now_ms, new_generation="hub-generation-2")


def resupply(hub, unit, *operations, heads=()):
    """Bring operations to the hub as one unit, whatever its program would do."""
    with unit.store.transaction():
        line, key = unit.store.hub_line.find(), registry_key(unit.store)
    texts = [(one.envelope_text, one.body_text) for one in operations]
    with HubRequests(ADDRESS, line.device, key, token=line.token, transport=Line(hub)) as requests:
        content = {"device": line.device, "operations": texts, "heads": list(heads)}
        return requests.post("/api/exchange/resupply", content)


def _fields(line):
    return {name: getattr(line, name) for name in line.__struct_fields__}


@pytest.mark.parametrize("generation", ["tarn-generation-2", ""], ids=["by-command", "by-hand"])
def test_a_unit_put_back_reads_its_own_back_before_it_publishes(hub, units, tmp_path, generation):
    """[EX4] [EX9] [RG10] By the command it begins a new epoch; by hand it finds itself behind.

    Nothing is written twice, wherever the line is cut meanwhile.

    Planted and caught, each: publishing before the exchange, and after one that was cut off.
    """
    tarn = units[0]
    for unit in units:
        unit.join(hub)
    tarn.tell(1, birth_year=1950)
    settle(hub, units)
    tarn.copy(tmp_path / "older")
    for number in range(2, 40):
        tarn.tell(number, birth_year=1900 + number)
    tarn.tell(1, birth_year=1951, sex="male")
    write_notice(hub, 1)
    settle(hub, units)

    before = count(hub)
    put_back(tarn, tmp_path / "older", generation=generation)
    tarn.tell(2, birth_year=1999)
    for at in range(1, 7):
        tarn.exchange(hub, lambda number, at=at: "before" if number >= at else "")
    settle(hub, units)

    assert count(hub) == before + 1

    assert_told_once(hub, units)
    assert set(tarn.shown("network_recall")) == {notice(1)}
    with tarn.store.transaction():
        assert len(tarn.store.operations.counters_of(tarn.device)) == 2
    rounds = len(hub.asked)
    settle(hub, units)
    # Nothing is read again for ever.
    assert len(hub.asked) - rounds == 4 * len(units) * len(("nonce", "handshake", "standing"))


def test_a_unit_put_back_by_hand_that_wrote_before_it_asked_writes_that_again(hub, units, tmp_path):
    """[EX9] Two branches of one log: the hub keeps the first, ours comes again in a new epoch.

    Planted and caught: `change_line` that left the own branch in its places.
    """
    tarn = units[0]
    tarn.join(hub)
    for number in range(5):
        tarn.tell(number)
    settle(hub, [tarn])
    tarn.copy(tmp_path / "older")
    tarn.tell(1, birth_year=1951)
    tarn.tell(7)
    settle(hub, [tarn])

    put_back(tarn, tmp_path / "older")
    tarn.environment.moved["drawn"] += 1_000
    tarn.write({"registry_patient/tarnhand": {"unit": tarn.device, "sex": "female"}})
    tarn.wanted["registry_patient/tarnhand"] = {"unit": tarn.device, "sex": "female"}
    tarn.tell(2, birth_year=1952)
    told = tarn.exchange(hub)

    assert "copy" in told.sentence
    settle(hub, [tarn])
    assert_told_once(hub, [tarn])


def test_two_copies_of_a_unit_that_both_run_are_told_of_and_double_nothing(hub, units, tmp_path):
    """[EX9] A clone of the virtual machine: each value ends up once."""
    tarn = units[0]
    tarn.join(hub)
    tarn.tell(1)
    settle(hub, [tarn])
    tarn.copy(tmp_path / "twin")
    twin = NetworkUnit(tmp_path / "twin", "tarn")
    twin.environment.moved["drawn"] += 1_000
    twin.wanted = {record: dict(fields) for record, fields in tarn.wanted.items()}
    told = []
    for number in range(2, 6):
        for one in (tarn, twin):
            one.tell(number, birth_year=1950 + number)
            told.append(one.exchange(hub).sentence)
    for _ in range(3):
        told.extend(one.exchange(hub).sentence for one in (tarn, twin))

    assert any("copy" in sentence for sentence in told)
    assert hub.shown("registry_patient") == single(tarn)
    assert twin.shown("registry_patient") == tarn.shown("registry_patient") == single(tarn)
    twin.close()


def test_a_unit_put_back_to_before_it_joined_comes_in_by_its_key(hub, units, tmp_path):
    """[RQ7] The token is gone with the store; the key of the folder proves who asks."""
    tarn = units[0]
    tarn.copy(tmp_path / "older")
    tarn.join(hub)
    tarn.tell(1, birth_year=1950)
    settle(hub, [tarn])

    put_back(tarn, tmp_path / "older", generation="tarn-generation-2")
    line = join_hub(
        tarn.store, hub.invite(), draw_chance=tarn.chance, open_transport=lambda: Line(hub)
    )
    tarn.tell(1, birth_year=1951)
    settle(hub, [tarn])

    assert line.standing == "joined"
    assert_told_once(hub, [tarn])


def test_a_unit_whose_key_was_lost_joins_again_and_goes_on_in_a_new_epoch(hub, units):
    """[SG5] [RQ7] The old key's log stays as it is; a person compares the new digits."""
    tarn = units[0]
    tarn.join(hub)
    tarn.tell(1, birth_year=1950)
    settle(hub, [tarn])
    digits = tarn.exchange(hub).digits
    tarn.close()
    (tarn.folder / "crura.server-key.pem").unlink()
    tarn.open()
    tarn.tell(1, birth_year=1951)
    assert "not signed by the key" in tarn.exchange(hub).sentence

    line = tarn.join(hub)
    settle(hub, [tarn])

    assert line.digits != digits
    assert hub.shown("registry_patient") == single(tarn) == tarn.shown("registry_patient")
    with hub.store.transaction():
        assert len(hub.store.operations.counters_of(tarn.device)) == 2
    assert verify_log(hub.store).findings == ()


@pytest.mark.parametrize("seed", range(2))
def test_cuts_and_older_copies_by_chance(hub, units, tmp_path, seed):
    """Whatever is put back, and whatever is cut off meanwhile, in the end all is told once."""
    chance = random.Random(seed)
    for unit in units:
        unit.join(hub)
    settle(hub, units)
    places = {}
    for number in range(25):
        act = chance.choice(("tell", "tell", "notice", "copy", "back", "round", "round"))
        process = chance.choice((hub, *units))
        if act == "tell":
            chance.choice(units).tell(chance.randrange(6), birth_year=1900 + number)
        elif act == "notice":
            write_notice(hub, number + 10, chance.choice(((), (units[0].device,))))
        elif act == "copy":
            places[process] = tmp_path / f"copy-{number}"
            process.copy(places[process])
        elif act == "back" and process in places:
            process.environment.moved["drawn"] += 1_000
            # By hand a unit finds itself behind; a hub has to be told by its command (EX10).
            is_told = process is hub or chance.random() < 0.5
            generation = f"generation-x-{number}" if is_told else ""
            put_back(process, places[process], generation=generation)
        else:
            at = chance.randrange(1, 9)
            how = chance.choice(("before", "after"))
            chance.choice(units).exchange(hub, lambda count, at=at, how=how: how * (count >= at))
    settle(hub, units)

    assert_told_once(hub, units)
