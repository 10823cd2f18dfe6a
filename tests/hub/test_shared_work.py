"""Work, nonces and reads that several processes share; the same on both databases where both do."""

import threading

import pytest

from api.environment import Environment
from api.routes.nonces import LASTS_MS, NonceVerdict
from api.routes.shared_nonces import SharedNonces
from api.storage.errors import WriteInReadingError
from api.storage.hub_store import open_hub_store
from api.storage.unit_store import open_unit_store

NOW_MS = 1_795_000_000_000
KIND = "link"


@pytest.fixture(params=["unit", "hub"])
def store(request, tmp_path):
    """A store on either database."""
    if request.param == "unit":
        opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    else:
        url = request.getfixturevalue("database")
        opened = open_hub_store(url, tmp_path / "hub", new_generation="generation-1")
    yield opened
    opened.close()


def _take(store, *, limit=10, now_ms=NOW_MS):
    with store.transaction():
        return store.work.take(KIND, limit=limit, now_ms=now_ms)


def _add(store, *keys):
    with store.transaction():
        store.work.add(KIND, keys, now_ms=NOW_MS)


def test_work_is_asked_for_once_and_taken_once(store):
    """The planted bug it has caught: a lease that was not looked at."""
    _add(store, "b", "a")
    _add(store, "a")

    taken = _take(store, limit=1)
    assert [one.key for one in taken] == ["a"]
    assert [one.key for one in _take(store)] == ["b"]
    assert _take(store) == []
    with store.transaction():
        store.work.done(taken)
        assert store.work.count(KIND) == 1


def test_work_of_a_process_that_died_comes_back(store):
    """[REL-01] The planted bug it has caught: work that was gone once it was taken."""
    _add(store, "a")
    _take(store)

    assert [one.key for one in _take(store, now_ms=NOW_MS + 600_000)] == ["a"]
    assert _take(store, now_ms=NOW_MS + 600_001) == []


def test_work_asked_for_again_meanwhile_waits_once_more(store):
    """The planted bug it has caught: work forgotten by its key alone."""
    _add(store, "a")
    taken = _take(store)
    _add(store, "a")
    with store.transaction():
        store.work.done(taken)

    assert [one.key for one in _take(store)] == ["a"]


def test_work_that_is_given_back_waits_for_anybody(store):
    """Whoever cannot do it leaves it to the next."""
    _add(store, "a")
    with store.transaction():
        store.work.give_back(store.work.take(KIND, limit=1, now_ms=NOW_MS))

    assert [one.key for one in _take(store)] == ["a"]


def test_two_who_take_at_the_same_time_wait_for_nobody_and_share(database, tmp_path):
    """The planted bug it has caught: a selection that waits for the rows of another."""
    one = open_hub_store(database, tmp_path, new_generation="generation-1")
    _add(one, *(f"{number:03d}" for number in range(100)))
    rows = []
    # Held open without the lock of writers, as a process in the middle of taking has it.
    with one._database.connection.hold("BEGIN", is_reading=False) as session:
        rows.append(one.work.take(KIND, limit=50, now_ms=NOW_MS))
        other = open_hub_store(database, tmp_path, new_generation="generation-1")
        taking = threading.Thread(
            target=lambda: rows.append(other.work.take(KIND, limit=100, now_ms=NOW_MS))
        )
        taking.start()
        taking.join(10)
        assert not taking.is_alive()
        session.execute("COMMIT")

    assert [len(some) for some in rows] == [50, 50]
    assert len({work.key for some in rows for work in some}) == 100
    one.close()
    other.close()


def test_nothing_is_written_in_a_block_of_reads(store):
    """A feature that was tried on SQLite does the same on PostgreSQL."""
    with store.reading():
        assert store.operations.count() == 0
        with pytest.raises(WriteInReadingError), store.transaction():
            pass
        with store.reading():
            assert store.fact("generation") == "generation-1"
    with store.transaction(), store.reading(), store.transaction():
        store.keep_fact("name", "kept")
    assert store.fact("name") == "kept"


def test_a_block_of_reads_sees_one_state_and_waits_for_no_writer(database, tmp_path):
    """The planted bug it has caught: reads that each see what was kept meanwhile."""
    one = open_hub_store(database, tmp_path, new_generation="generation-1")
    other = open_hub_store(database, tmp_path, new_generation="generation-1")
    with one.reading():
        assert one.fact("name") is None
        with other._database.transaction():
            other.keep_fact("name", "kept")
        assert one.fact("name") is None
    assert one.fact("name") == "kept"
    one.close()
    other.close()


def test_a_block_that_passes_over_an_error_of_the_database_is_not_kept(database, tmp_path):
    """[REL-01] The planted bug it has caught: an answer of the database that nobody read."""
    store = open_hub_store(database, tmp_path, new_generation="generation-1")

    def write_and_pass_over():
        with store.transaction():
            store.keep_fact("name", "lost")
            try:
                store._database.connection.execute("SELECT nothing")
            except Exception:  # noqa: BLE001  as a careless caller would
                return

    with pytest.raises(Exception, match="kept nothing"):
        write_and_pass_over()
    assert store.fact("name") is None
    store.close()


class _Clock(Environment):
    """A clock that is set by hand."""

    ms = NOW_MS

    def now_ms(self):
        return self.ms


def test_a_nonce_is_good_once_with_all_processes(database, tmp_path):
    """[RQ3] [SEC-06] Drawn by one, shown to another, refused by the first.

    The planted bug it has caught: nonces remembered by each process alone.
    """
    stores = [open_hub_store(database, tmp_path, new_generation="generation-1") for _ in range(2)]
    clock = _Clock()
    one, other = (SharedNonces(store, clock) for store in stores)
    nonce, late = one.draw(), one.draw()

    assert other.take(nonce, "unit-a") is NonceVerdict.GOOD
    assert one.take(nonce, "unit-a") is NonceVerdict.USED
    assert other.take("A" * len(nonce), "unit-a") is NonceVerdict.NOT_OURS
    clock.ms += LASTS_MS - 1
    assert one.take(late, None) is NonceVerdict.GOOD
    clock.ms += 1
    assert other.take(late, None) is NonceVerdict.OVER
    for store in stores:
        store.close()


def test_nonces_have_a_limit_by_device_and_are_forgotten(database, tmp_path, monkeypatch):
    """[RQ5] The planted bug it has caught: used nonces that stay for ever."""
    monkeypatch.setattr("api.routes.shared_nonces.MAX_USED_BY_DEVICE", 2)
    monkeypatch.setattr("api.routes.shared_nonces._USES_A_SWEEP", 1)
    store = open_hub_store(database, tmp_path, new_generation="generation-1")
    clock = _Clock()
    nonces = SharedNonces(store, clock)

    told = [nonces.take(nonces.draw(), "unit-a") for _ in range(3)]
    assert told == [NonceVerdict.GOOD, NonceVerdict.GOOD, NonceVerdict.TOO_MANY]
    assert nonces.take(nonces.draw(), "unit-b") is NonceVerdict.GOOD
    clock.ms += 3 * LASTS_MS + 1
    assert nonces.take(nonces.draw(), "unit-a") is NonceVerdict.GOOD
    assert store.used_nonces.count("unit-a", used_from_ms=0) == 1
    store.close()


def test_whoever_used_too_many_goes_on_once_these_are_over(tmp_path, monkeypatch):
    """[RQ5] [SEC-06] Anybody can use up what joinings share; ten minutes later one can join again.

    It was red before: what was remembered longer counted too, and was swept only by a nonce that
    was taken, so that a day later nobody could join. Planted and caught: the moment before.
    """
    monkeypatch.setattr("api.routes.shared_nonces.MAX_USED_BY_JOININGS", 2)
    store = open_unit_store(tmp_path, new_generation="generation-1")
    clock = _Clock()
    nonces = SharedNonces(store, clock)
    nonces.take(nonces.draw(), "unit-a")

    told = [nonces.take(nonces.draw(), None) for _ in range(3)]
    assert told == [NonceVerdict.GOOD, NonceVerdict.GOOD, NonceVerdict.TOO_MANY]
    clock.ms += LASTS_MS - 1
    assert nonces.take(nonces.draw(), None) is NonceVerdict.TOO_MANY
    assert store.used_nonces.count(None, used_from_ms=0) == 2
    clock.ms += 1
    assert nonces.take(nonces.draw(), None) is NonceVerdict.GOOD
    store.close()


def test_texts_come_back_as_they_went(database, tmp_path):
    """[OP3] With the sign of number zero, which PostgreSQL does not keep, and what hides it.

    The planted bug it has caught: a sign of number zero that came back as another.
    """
    store = open_hub_store(database, tmp_path, new_generation="generation-1")
    texts = ["", "a\x00b", "\ue000", "\ue0000\ue0011\x00", "\U0010ffff", "?%s%%'"]
    with store.transaction():
        for number, text in enumerate(texts):
            store.keep_fact(f"name {number}", text)
            store.operations.quarantine(f"id {number}", text, text, "why", received_ms=number)
    with store.transaction():
        assert [store.fact(f"name {number}") for number in range(len(texts))] == texts
        assert [one.body for one in store.operations.quarantined()] == texts
        assert [store.operations.sentence_about(text) for text in texts] == ["why"] * len(texts)
    store.close()


def test_many_threads_share_a_few_sessions(database, tmp_path, monkeypatch):
    """[REL-01] A hub in a rush takes no more of the database than was meant for it.

    The planted bug it has caught: a session that was not counted as free again.
    """
    monkeypatch.setattr("api.storage.postgres_connection.MOST_SESSIONS", 3)
    store = open_hub_store(database, tmp_path, new_generation="generation-1")
    most, failed = [], []

    def work(number):
        try:
            for turn in range(5):
                with store.transaction():
                    store.keep_fact(f"name {number}", str(turn))
                with store.reading():
                    row = store._database.connection.execute(
                        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
                    )
                    most.append(row.fetchone()[0])
        except Exception as error:  # noqa: BLE001  told below, from the thread of the test
            failed.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)

    assert failed == []
    assert len(most) == 60
    assert max(most) <= 3
    assert [store.fact(f"name {number}") for number in range(12)] == ["4"] * 12
    store.close()
