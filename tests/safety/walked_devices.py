"""The walk of the canaries: devices that join, write and exchange, with a secret in every text."""

import hashlib
import json
from typing import Any

from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.p256 import write_base64, write_public_key
from api.storage.sealing import about_entry, about_share, seal
from api.use_cases.answer_snapshot import seal_segments
from api.use_cases.receive_resupply import PUT_BACK
from sync.request_signing import write_fingerprint
from tests.safety.asked_requests import Asker, Asking
from tests.safety.drafting_tablet import Tablet
from tests.safety.planted_secrets import (
    OF_THE_SERVER,
    Secrets,
    kind_of,
    planned_texts,
    write_as_server,
)
from tests.scenarios.draw_pictures import ACROSS, draw_varix, write_png
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, carried_head, texts
from tests.unit.api.test_access_routes import Chain

TABLET = "tablet-canary"
STREAMS = ("care", "booking", "unit")


def let_join(asking: Asking, admin: Asker, secrets: Secrets, device: str = TABLET) -> Asker:
    """Invite a device, let it join and compare its digits, as the desk does."""
    invited = asking.ask(
        admin,
        "POST /api/invitations",
        json={
            "role": "bedside",
            "name": secrets.draw("name of an invitation"),
            "is_trusted": False,
        },
    )
    assert invited.status_code == 201, invited.text
    code = invited.json()["code"]
    secrets.tell("code of an invitation", code)
    who = asking.join(code, device, name=secrets.draw("name of a device"))
    secrets.tell("token of a device", who.headers["authorization"].removeprefix("Bearer "))
    digits = write_fingerprint(SigningDevice(device).key_id)
    asking.ask(admin, "POST /api/confirmations", json={"device": device, "fingerprint": digits})
    name = {"device": device, "name": secrets.draw("new name of a device")}
    asking.ask(admin, "POST /api/device-names", json=name)
    return who


class CanaryTablet:
    """A tablet that pushes; ``aside`` is what the unit set aside, with its sentence."""

    def __init__(self, asking: Asking, who: Asker, secrets: Secrets) -> None:
        self.asking, self.who, self.secrets = asking, who, secrets
        self.writer = Tablet(asking.unit, who.name)
        self.aside: dict[str, str] = {}

    def push(self, record: str, fields: dict[str, Any]) -> None:
        """Push one entry."""
        content = self.writer.write(record, fields)
        answer = self.asking.ask(self.who, "POST /api/exchange/push", json=content)
        assert answer.status_code == 200, answer.text
        self.writer.keep()
        for one in answer.json()["quarantined"]:
            self.aside[record] = one["sentence"]

    def push_secrets(self) -> None:
        """Push a text for every place of the record; what no tablet may write the server does."""
        planned = list(planned_texts(self.asking.unit, self.secrets))
        for record, fields in planned:
            if kind_of(record) not in OF_THE_SERVER:
                self.push(record, fields)
        of_the_server = [one for one in planned if kind_of(one[0]) in OF_THE_SERVER]
        write_as_server(self.asking.unit, of_the_server)

    def push_otherwise(self) -> None:
        """Send an entry sealed, as a locked tablet does, and hand one in as of somebody else."""
        unit, device = self.asking.unit, self.who.name
        because = self.secrets.draw("reason in a sealed entry")
        pushed = self.writer.write("decision/sealed", {"because": because})
        operation = self.writer.written
        place = about_entry(device, "ep01", operation.counter)
        entry = json.dumps(texts(operation)[0]).encode()
        sealed = write_base64(seal(unit.store.server_key.public_key, place, entry))
        entries = [("ep01", operation.counter, sealed)]
        content = {"device": device, "entries": entries, "signature": pushed["signature"]}
        self.asking.ask(self.who, "POST /api/exchange/sealed", json=content)
        self.writer.keep()
        other = Tablet(unit, "tablet-elsewhere")
        other.write("decision/brought", {"because": self.secrets.draw("reason that is brought")})
        # Only a store that was put back takes what others hold.
        with unit.store.transaction():
            unit.store.keep_fact(PUT_BACK, str(NOON_MS))
        brought = {"operations": texts(other.written), "logs": [(device, "ep01")]}
        content = {"device": device, **brought, "heads": [carried_head(operation)]}
        self.asking.ask(self.who, "POST /api/exchange/resupply", json=content)

    def send_picture(self, case: str) -> None:
        """Name a picture, hand its bytes in, and read them back."""
        content = write_png(draw_varix(**ACROSS))
        digest = hashlib.sha256(content).hexdigest()
        named = {"sha256": digest, "bytes": len(content), "media_type": "image/png"}
        file = {**named, "width_px": 640, "height_px": 480}
        self.push("picture/canary", {"case": case, "file": file})
        at, asked = {"digest": digest}, {"record": "picture/canary"}
        sent = {"content": content, "headers": {"content-type": "application/octet-stream"}}
        address = "/api/pictures/{digest}"
        self.asking.ask(self.who, f"PUT {address}", at=at, params=asked, **sent)
        self.asking.ask(self.who, f"GET {address}/standing", at=at, params=asked)
        self.asking.ask(self.who, f"GET {address}", at=at, params=asked)


def exchange(asking: Asking, who: Asker, secrets: Secrets) -> None:
    """Meet the unit, read every stream in each way, and say how the device stands."""
    content = {
        "device": who.name,
        "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
        "cursors": {},
        "catalogue": 1,
        "wall_ms": NOON_MS,
    }
    asking.ask(who, "POST /api/exchange/handshake", json=content)
    for stream in STREAMS:
        seal_segments(asking.unit.store, stream)
        for more in ({}, {"rows": "true"}, {"own": "true"}, {"heads": "all"}):
            asked = {"stream": stream, **more}
            asking.ask(who, "GET /api/exchange/pull", params=asked)
        listed = asking.done(who, "GET /api/exchange/snapshot", params={"stream": stream})
        for segment in listed["segments"][:2]:
            at = {"digest": segment["digest"]}
            asking.ask(who, "GET /api/exchange/snapshot/{digest}", at=at)
    asking.ask(who, "GET /api/exchange/events")
    told = {"build": "0123456789ab", "protocol": 1, "unsent": 3}
    asking.ask(who, "POST /api/device-standing", json=told)
    asking.ask(who, "POST /api/nonces", json={"count": 2})
    for route in ("GET /api/devices", "GET /api/devices/own"):
        asking.ask(who, route)
    chain = Chain(who.name)
    lines = [chain.note(why=secrets.draw("reason of an access"))]
    asking.ask(who, "POST /api/access-events", json={"lines": lines})


def give_up_device(asking: Asking, admin: Asker, secrets: Secrets) -> None:
    """Lose a tablet, let it clear itself, and a tablet without keys ask for its own."""
    lost = let_join(asking, admin, secrets, "tablet-lost")
    asking.ask(admin, "POST /api/revocations", json={"device": lost.name, "is_lost": True})
    asking.ask(lost, "POST /api/devices/own/cleared", json={"unsent": 2})
    for device, route in (("tablet-refused", "refuse"), ("tablet-keyless", "give")):
        invited = asking.done(admin, "POST /api/invitations", json={"role": "bedside"})
        name = secrets.draw("name of a tablet without keys")
        who = asking.join(invited["code"], device, name=name, for_recovery=True)
        if route == "refuse":
            asking.ask(admin, "POST /api/recovery-refusals", json={"device": device})
            continue
        digits = write_fingerprint(SigningDevice(device).key_id)
        confirmed = {"device": device, "fingerprint": digits}
        asking.ask(admin, "POST /api/confirmations", json=confirmed)
        share = seal(asking.unit.store.server_key.public_key, about_share(device), bytes(32))
        way_back = write_public_key(ec.derive_private_key(77, ec.SECP256R1()).public_key())
        wanted = {"device": device, "share": write_base64(share), "to": write_base64(way_back)}
        asking.ask(who, "POST /api/devices/recovery", json=wanted)
