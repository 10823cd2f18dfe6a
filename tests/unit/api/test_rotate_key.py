"""The server's signing key is replaced, and nothing that hung on the former is lost (SEC-33)."""

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP

from api.command_line import main
from api.storage import server_key
from api.storage.connection import FILE_NAME as FILE_OF_STORE
from api.storage.encrypted_backups import new_identity, opened_backup, write_encrypted_backup
from api.storage.errors import StorageError
from api.storage.outside_heads import list_heads, read_heads
from api.storage.p256 import is_signed, read_base64
from api.storage.sealing import about_entry, open_sealed, seal
from api.storage.server_key import FILE_NAME, former_keys_in, load_server_key
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import NotAllowedError
from api.use_cases.heads_outside import write_heads_of_day
from api.use_cases.join_device import join_device
from api.use_cases.people_accounts import set_second_factor
from api.use_cases.people_second_factor import find_step, open_secret
from api.use_cases.replace_key import rotate_server_key
from api.use_cases.revoke_device import revoke_device, tell_revocation
from api.use_cases.server_log import Chance
from api.use_cases.server_role import settle_role
from api.use_cases.verify_log import verify_log
from sync.request_signing import write_revocation_text
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.tampered_store import fill_store, findings_of

SALTS = iter(f"{number:032x}" for number in range(10_000, 20_000))


def _open(folder):
    return open_unit_store(folder, new_generation="generation-1")


def _rotate(store, folder):
    return rotate_server_key(
        store,
        folder,
        new_epoch=f"ep{next(SALTS)[-6:]}",
        draw_salt=lambda: next(SALTS),
        now_ms=NOON_MS,
    )


def _write_on(store, number):
    add_staff(
        store,
        f"Person {number}",
        "assistant",
        chance=Chance(f"more{number}", f"epoch9{number}", f"{number:032x}", NOON_MS + number),
    )


@pytest.fixture
def folder(tmp_path):
    """A closed unit with signed logs of tablets and of its server."""
    fill_store(tmp_path / "unit")
    return tmp_path / "unit"


def test_what_the_former_key_signed_stays_valid_and_the_new_one_signs_on(folder):
    """[SEC-33] [SG7] [SG8] Caught: with the file moved away, as the page told, `crura verify` told
    of a broken seal and of heads by a key that was replaced, from then on for ever.
    """
    store = _open(folder)
    before = store.server_key.public_key
    done = _rotate(store, folder)
    _write_on(store, 3)
    assert verify_log(store).findings == ()
    store.close()

    assert done.former != done.present
    assert findings_of(folder) == ()
    again = _open(folder)
    assert again.server_key.key_id == done.present
    assert [one.public_key for one in again.server_key.former] == [before]
    with again.transaction():
        keys = [one.key_id for one in again.signatures.keys_of("unit-server")]
    assert keys == [done.former, done.present]
    # And once more.
    _rotate(again, folder)
    _write_on(again, 4)
    assert verify_log(again).findings == ()
    assert len(again.server_key.former) == 2
    again.close()
    assert findings_of(folder) == ()


def test_both_keys_are_for_their_owner_alone(folder):
    store = _open(folder)
    _rotate(store, folder)
    store.close()

    (former,) = former_keys_in(folder)
    for path in (former, folder / FILE_NAME):
        assert path.stat().st_mode & 0o777 == 0o600


def test_second_factors_go_on_and_lie_under_the_new_key(folder):
    """[SEC-33] Caught: everybody's code app had to be set up again."""
    store = _open(folder)
    with store.transaction():
        store.people.keep_account("staff/person1", "person.one", "auditor", made_ms=NOON_MS)
    made = set_second_factor(store, "staff/person1", token="7" * 64, salt="3" * 32, now_ms=NOON_MS)
    with store.transaction():
        assert store.people.use_step("staff/person1", 42)
    former = store.server_key
    assert _rotate(store, folder).second_factors == 1

    with store.transaction():
        account = store.people.find_account("staff/person1")
    assert open_secret(store.server_key, "staff/person1", account.totp_sealed) == made.secret
    assert open_secret(former, "staff/person1", account.totp_sealed) is None
    # A code that was used stays used.
    assert account.totp_last_step == 42
    shown = TOTP(made.secret, 6, SHA1(), 30).generate(NOON_MS // 1_000)  # noqa: S303
    assert find_step(made.secret, shown.decode(), now_ms=NOON_MS) is not None
    store.close()


def test_a_cut_before_the_factors_were_sealed_anew_leaves_them_open(folder, monkeypatch):
    """Planted bug: opened by the present key alone, a cut in between locked everybody out."""
    store = _open(folder)
    with store.transaction():
        store.people.keep_account("staff/person1", "person.one", "auditor", made_ms=NOON_MS)
    made = set_second_factor(store, "staff/person1", token="7" * 64, salt="3" * 32, now_ms=NOON_MS)
    monkeypatch.setattr("api.use_cases.replace_key._seal_factors_anew", _cut)
    with pytest.raises(OSError, match="cut"):
        _rotate(store, folder)
    store.close()

    again = _open(folder)
    with again.transaction():
        account = again.people.find_account("staff/person1")
    assert open_secret(again.server_key, "staff/person1", account.totp_sealed) == made.secret
    again.close()
    assert findings_of(folder) == ()


@pytest.mark.parametrize("cut", ["before", "after"])
def test_a_cut_around_the_change_of_files_leaves_a_sound_unit(folder, monkeypatch, cut):
    """The log begins anew first: one key signs one epoch, whichever of both it is."""
    store = _open(folder)
    if cut == "before":
        monkeypatch.setattr(server_key.Path, "rename", _refuse)
    else:
        monkeypatch.setattr(server_key, "_write_new_key", _refuse)
    with pytest.raises((StorageError, OSError)):
        _rotate(store, folder)
    monkeypatch.undo()
    # As a power cut: nothing is sealed.
    store._database.close()

    again = _open(folder)
    _write_on(again, 5)
    assert verify_log(again).findings == ()
    again.close()
    assert findings_of(folder) == ()


def _cut(*_):
    raise OSError("cut")


def _refuse(*_, **__):
    raise OSError(5, "Input/output error")


def test_what_a_tablet_had_sealed_for_the_former_key_opens(folder):
    """[SE1] Caught: a locked tablet's entries waited for the former file to be put back."""
    store = _open(folder)
    about = about_entry("tablet-a", "ep01", 1)
    sealed = seal(store.server_key.public_key, about, b"an entry")
    _rotate(store, folder)
    _rotate(store, folder)

    assert open_sealed(store.server_key, about, sealed) == b"an entry"
    assert open_sealed(store.server_key, about_entry("tablet-b", "ep01", 1), sealed) is None
    store.close()


def _join(store, number, held_token=None):
    with store.transaction():
        store.devices.invite(f"CODE-{number}", "bedside", expires_ms=2**50, is_trusted=True)
    return join_device(
        store,
        code=f"CODE-{number}",
        device="tablet-x",
        name="Tablet",
        held_token=held_token,
        new_token=f"{number:064x}",
        now_ms=NOON_MS,
    )


def _believes(store, membership):
    """Say whether a lost tablet believes the unit by the key that it was told at joining."""
    told = tell_revocation(store, store.devices.find("tablet-x"))
    text = write_revocation_text("tablet-x", told.revoked_ms, is_lost=True)
    key, signature = read_base64(membership.server_key), read_base64(told.signature)
    return is_signed(key, text.encode(), signature)


@pytest.mark.parametrize("is_revoked_first", [True, False])
def test_a_lost_tablet_is_told_by_the_key_that_it_knows(folder, is_revoked_first):
    """[RQ8] [SEC-15] Caught: signed by the new key, the word to clear itself was not believed."""
    store = _open(folder)
    membership = _join(store, 1)
    if is_revoked_first:
        revoke_device(store, "tablet-x", now_ms=NOON_MS, is_lost=True)
    _rotate(store, folder)
    _rotate(store, folder)
    if not is_revoked_first:
        revoke_device(store, "tablet-x", now_ms=NOON_MS, is_lost=True)

    assert _believes(store, membership)
    store.close()


def test_a_tablet_that_joined_anew_is_told_by_the_new_key(folder):
    """[RQ8] The planted bug it has caught: the key of the first joining stayed the one told."""
    store = _open(folder)
    first = _join(store, 1)
    _rotate(store, folder)
    again = _join(store, 2, held_token=first.token)
    revoke_device(store, "tablet-x", now_ms=NOON_MS, is_lost=True)

    assert again.server_key != first.server_key
    assert _believes(store, again)
    assert not _believes(store, first)
    # One that joins after the change, and then sees another one.
    _rotate(store, folder)
    assert _believes(store, again)
    store.close()


def test_heads_that_lie_outside_are_held_against_by_either_key(folder, tmp_path):
    store, outside = _open(folder), tmp_path / "outside"
    write_heads_of_day(store, outside, on="2026-03-16", at_ms=NOON_MS)
    _rotate(store, folder)
    write_heads_of_day(store, outside, on="2026-03-16", at_ms=NOON_MS)
    heads = [read_heads(path) for path in list_heads(outside)]

    assert len({one.key_id for one in heads}) == 2
    assert verify_log(store, (), heads).findings == ()
    store.close()


def test_an_encrypted_backup_brings_the_former_keys_along(folder, tmp_path):
    """[SEC-25] Caught: what a tablet had sealed before the change opened on no other machine."""
    store = _open(folder)
    about = about_entry("tablet-a", "ep01", 1)
    sealed = seal(store.server_key.public_key, about, b"an entry")
    _rotate(store, folder)
    keys = [new_identity() for _ in range(2)]
    write_encrypted_backup(store, folder, tmp_path / "b", [public for _, public in keys])
    store.close()
    (tmp_path / "safe.key").write_text(keys[0][0])
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with opened_backup(tmp_path / "b", elsewhere, tmp_path / "safe.key"):
        key = load_server_key(elsewhere)

    assert open_sealed(key, about, sealed) == b"an entry"
    assert [one.name for one in former_keys_in(elsewhere)] == [
        one.name for one in former_keys_in(folder)
    ]


@pytest.mark.parametrize(
    "name", ["crura.server-key.former-.pem", "crura.server-key.former-XYZ.pem", "x.pem"]
)
def test_a_file_of_another_name_is_no_former_key(folder, name):
    (folder / name).write_text("no key")

    assert former_keys_in(folder) == []
    _open(folder).close()


def test_a_former_key_that_is_none_says_so(folder):
    (folder / f"crura.server-key.former-{'a' * 16}.pem").write_text("no key")

    with pytest.raises(StorageError, match="holds no signing key of ours"):
        _open(folder)


def test_a_hub_and_a_changed_store_keep_their_key(folder, tmp_path):
    """[SEC-33] What cannot be done safely is refused, and nothing is written."""
    hub = _open(tmp_path / "hub")
    settle_role(hub, as_hub=True)
    with pytest.raises(NotAllowedError, match="units of a network know this hub by its key"):
        _rotate(hub, tmp_path / "hub")
    hub.close()

    content = (folder / FILE_OF_STORE).read_bytes()
    (folder / FILE_OF_STORE).write_bytes(content[:68] + bytes([content[68] ^ 1]) + content[69:])
    store = _open(folder)
    with pytest.raises(NotAllowedError, match="changed while it was closed"):
        _rotate(store, folder)
    store.close()
    for place in (folder, tmp_path / "hub"):
        assert former_keys_in(place) == []


def test_the_command_replaces_it_and_says_what_is_left_to_do(folder):
    before = load_server_key(folder).key_id
    done = CliRunner().invoke(main, ["key", "rotate-server", "--data", str(folder)])

    assert done.exit_code == 0, done.output
    assert f"no longer by {before[:16]}" in done.output
    assert "invite each tablet again" in done.output
    assert load_server_key(folder).key_id != before
    sound = CliRunner().invoke(main, ["verify", "--data", str(folder)])
    assert sound.exit_code == 0, sound.output
