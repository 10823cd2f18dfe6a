"""The simulated network's one server: the real use cases over the real store in a folder."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from api.storage.backups import write_backup
from api.storage.bundle import Bundle, read_bundle, write_bundle
from api.storage.p256 import write_base64
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.answer_pull import answer_pull
from api.use_cases.answer_snapshot import give_segment, list_segments
from api.use_cases.errors import NotAllowedError, UseCaseError
from api.use_cases.export_bundle import export_bundle
from api.use_cases.import_bundle import import_bundle
from api.use_cases.invite_device import invite_device
from api.use_cases.join_device import EnrolledKey, join_device
from api.use_cases.page_heads import WantedHeads
from api.use_cases.receive_handshake import receive_handshake
from api.use_cases.receive_push import receive_push
from api.use_cases.receive_resupply import receive_resupply
from api.use_cases.restore_unit import restore_unit
from api.use_cases.revoke_device import revoke_device
from sync.exchange import Handshake
from sync.signing import BroughtHead
from tests.simulator.row_form import carry_batch, unpack_page
from tests.simulator.tablet_disk import Texts


@dataclass(frozen=True)
class Request:
    """What a tablet sends; it may come late, twice or never."""

    what: Literal["handshake", "push", "resupply", "pull", "segments", "segment"]
    device: str
    handshake: Handshake | None = None
    texts: list[Texts] | None = None
    signature: str | None = None
    logs: list[tuple[str, str]] | None = None
    stream: str = ""
    after: int = 0
    limit: int = 0
    own: bool = False
    record: str = ""
    digest: str = ""
    wanted: WantedHeads = ""
    heads: tuple[BroughtHead, ...] = ()


@dataclass(frozen=True)
class Answer:
    """What the server sent back: content, or a refusal with its status and sentence."""

    content: Any = None
    refusal: str = ""
    status: int = 200


class Unit:
    """A unit server that can crash in the middle of a request and be put back to a backup."""

    def __init__(self, folder: Path, wall_ms: int) -> None:
        self.folder, self.wall_ms = folder, wall_ms
        self.generations = 1
        self.backup: Path | None = None
        self._invitations = 0
        self.store: UnitStore = self._open()

    def _open(self) -> UnitStore:
        return open_unit_store(
            self.folder / "unit", new_generation=f"generation-{self.generations}"
        )

    def join(self, device: str, role: str, key: str, from_epoch: str) -> None:
        """Let a device in, or in again with another key."""
        self._invitations += 1
        code = f"CODE-{self._invitations}"
        invite_device(self.store, role, code=code, now_ms=self.wall_ms, is_trusted=True)
        join_device(
            self.store,
            code=code,
            device=device,
            name=device,
            held_token=device,
            new_token=device,
            now_ms=self.wall_ms,
            key=EnrolledKey(key, from_epoch),
        )

    def is_revoked(self, device: str) -> bool:
        """Say whether the unit refuses a device."""
        known = self.store.devices.find(device)
        return known is not None and known.revoked_ms is not None

    def key_of(self, device: str) -> str:
        """Return the public key that the unit expects of a device, in base64."""
        key = self.store.signatures.newest_key_of(device)
        assert key is not None
        return write_base64(key.public_key)

    def revoke(self, device: str) -> None:
        """Refuse a device from now on."""
        revoke_device(self.store, device, now_ms=self.wall_ms)

    def export(self) -> Bundle:
        """Save all that is held to a file and return what the file says."""
        self._invitations += 1
        path = self.folder / f"file-{self._invitations}"
        export_bundle(self.store, path, now_ms=self.wall_ms)
        return read_bundle(path)

    def take_in(self, bundle: Bundle) -> None:
        """Take in a file that was carried here."""
        self._invitations += 1
        path = self.folder / f"file-{self._invitations}"
        write_bundle(path, bundle)
        import_bundle(self.store, read_bundle(path), now_ms=self.wall_ms)

    def answer(self, request: Request) -> Answer:
        """Answer one request as the routes do."""
        try:
            return Answer(self._carry_out(request))
        except NotAllowedError as error:
            return Answer(refusal=str(error), status=403)
        except UseCaseError as error:
            return Answer(refusal=str(error), status=422)

    def _carry_out(self, request: Request) -> Any:
        device = self.store.devices.find(request.device)
        assert device is not None
        if request.what == "handshake":
            assert request.handshake is not None
            return receive_handshake(self.store, device, request.handshake, now_ms=self.wall_ms)
        if request.what == "push":
            return receive_push(
                self.store,
                device,
                carry_batch(device.id, request.texts or []),
                now_ms=self.wall_ms,
                signature=request.signature,
            )
        if request.what == "resupply":
            offered = carry_batch(device.id, request.texts or [])
            return receive_resupply(
                self.store,
                device,
                request.logs or [],
                offered,
                now_ms=self.wall_ms,
                heads=request.heads,
            )
        if request.what == "segments":
            return list_segments(self.store, device, request.stream)
        if request.what == "segment":
            return give_segment(self.store, device, request.digest)
        page = answer_pull(
            self.store,
            device,
            request.stream,
            after=request.after,
            limit=request.limit,
            with_own=request.own,
            record=request.record,
            in_rows=request.after % 2 == 1,
            heads=request.wanted,
        )
        return unpack_page(page, request.stream, request.after)

    def crash_during(self, request: Request, steps: int) -> None:
        """Begin a request, stop at some step of SQLite's machine, and start again.

        A request that is over sooner has been carried out, and nobody hears of it.
        """
        left = [steps]

        def stop() -> bool:
            left[0] -= 1
            return left[0] < 0

        connection = self.store._database.connection
        connection.set_progress_handler(stop, 20)
        try:
            self.answer(request)
        except Exception as error:
            if "interrupted" not in str(error):
                raise
        finally:
            connection.set_progress_handler(None, 0)
        self.restart()

    def restart(self) -> None:
        """Close and open the store."""
        self.store.close()
        self.store = self._open()

    def write_backup(self, number: int) -> None:
        """Write tonight's backup."""
        self.backup = self.folder / f"backup-{number}"
        write_backup(self.store, self.backup)

    def put_back(self) -> None:
        """Put the last backup in the place of the store."""
        assert self.backup is not None
        self.store.close()
        self.generations += 1
        restore_unit(
            self.backup,
            self.folder / "unit",
            new_generation=f"generation-{self.generations}",
            now_ms=self.wall_ms + self.generations,
        )
        self.store = self._open()

    def counted(self) -> dict[str, str]:
        """Return the texts that count: envelope to body of each sound operation in a log."""
        found: dict[str, str] = {}
        for device, epoch in self.store.operations.logs():
            for one in self.store.operations.of_log(device, epoch):
                if one.body_text is not None:
                    found[one.envelope_text] = one.body_text
        return found

    def held(self) -> set[Texts]:
        """Return the texts of everything held: those that count, wait, or are set aside.

        One envelope may lie aside twice: with its own body, and with one that somebody forged.
        """
        aside = {(one.envelope, one.body or "") for one in self.store.operations.quarantined()}
        return set(self.counted().items()) | set(self.waiting()) | aside

    def waiting(self) -> list[Texts]:
        """Return the texts of what waits for a gap to be filled."""
        connection = self.store._database.connection
        return connection.execute("SELECT envelope, body FROM waiting_operation").fetchall()
