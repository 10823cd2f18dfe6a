"""The version of the exchange is that of what is said in it: neither changes without the other.

Planted and caught: a field more in the answer to a handshake under the number of before.
"""

import inspect
import json
from pathlib import Path

from api.routes import exchange
from api.use_cases.standing_report import PROTOCOL
from sync.exchange import PROTOCOL_VERSION, Handshake, HandshakeAnswer

VECTOR = Path(__file__).parents[2] / "conformance/exchange/protocol_version.json"
# Who asks and what stands around the server are no part of the question.
NOT_ASKED = ("device", "around")
MESSAGES = {
    "handshake": Handshake,
    "handshake answer": HandshakeAnswer,
    "push": exchange.Push,
    "push answer": exchange.PushAnswer,
    "page": exchange.Page,
    "page in rows": exchange.RowPage,
    "resupply": exchange.Resupply,
    "resupply answer": exchange.ResupplyAnswer,
}


def _said_now() -> dict[str, list[str]]:
    asked = inspect.signature(exchange.get_pull.fn).parameters
    return {
        **{name: list(one.__struct_encode_fields__) for name, one in MESSAGES.items()},
        "pull": [name for name in asked if name not in NOT_ASKED],
    }


def test_what_the_exchange_says_is_what_its_version_says():
    """[EX24] A new message or field is a new version: a case more in the vector, one up here and in
    `pwa/src/sync/exchange.ts`.
    """
    versions = json.loads(VECTOR.read_text(encoding="utf-8"))["cases"]

    assert [one["expect"] for one in versions] == list(range(1, PROTOCOL_VERSION + 1))
    assert versions[-1]["given"] == _said_now()


def test_a_unit_tells_its_hub_the_version_as_a_word():
    """[EX24] [DM-01] Caught: it told the form of its batches, which stays through new versions."""
    assert str(PROTOCOL_VERSION) == PROTOCOL
