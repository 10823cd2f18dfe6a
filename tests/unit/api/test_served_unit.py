"""A unit that really serves, over HTTP, while commands run beside it and tablets send."""

import re
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import httpx
import pytest

from sync.merge import merge_record, shown_value
from sync.operation import read_operation
from sync.reissue import reissue_branch
from tests.browser.unit_server import UnitServer
from tests.unit.api.merged_vector import CATALOGUE
from tests.unit.api.signing_client import SigningClient, join_over_http, token_of, use_token
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import NOON_MS, Writer, texts


@pytest.fixture
def served(tmp_path):
    server = UnitServer(tmp_path / "unit")
    server.start()
    yield server
    server.stop()


class HttpDevice:
    """A device over HTTP, with the key it signs with."""

    def __init__(self, served, device, number=1):
        self.served, self.device = served, device
        self.signer = SigningDevice(device, number)

    def join(self, epoch, held=None):
        code = self.served.invite("bedside").partition("#join=")[2]
        address = self.served.address
        self.client = join_over_http(address, code, self.signer, epoch=epoch, held=held or "")
        return self

    @property
    def token(self):
        return token_of(self.client)

    def use(self, token):
        self.client = httpx.Client(base_url=self.served.address, auth=SigningClient(), timeout=60)
        use_token(self.client, token, self.signer)

    def try_push(self, *operations):
        signature = self.signer.sign_head(operations[-1])
        pushed = {"device": self.device, "operations": texts(*operations), "signature": signature}
        return self.client.post("/api/exchange/push", json=pushed)

    def push(self, *operations):
        answer = self.try_push(*operations)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def hash_at(self, tip):
        asked = {"device": self.device, "tip": tip, "cursors": {}, "catalogue": 1}
        answer = self.client.post("/api/exchange/handshake", json={**asked, "wall_ms": NOON_MS})
        assert answer.status_code == 200, answer.text
        return answer.json()["hash_at_device_tip"]

    def pull(self):
        asked = {"stream": "care", "after": 0, "limit": 1_000, "own": 1}
        answer = self.client.get("/api/exchange/pull", params=asked)
        assert answer.status_code == 200, answer.text
        return [read_operation(envelope, body) for _, envelope, body in answer.json()["operations"]]


def _sound_after_stop(served):
    served.stop()
    printed = served.crura("verify")
    assert re.fullmatch(r"\d+ operations in \d+ logs are sound\.\n", printed), printed


def test_a_device_that_is_revoked_while_it_sends_loses_nothing_before_and_adds_nothing_after(
    served,
):
    """[EX12] [SG3] The planted bug it has caught: a command that marked where the logs end and
    let the device go on.
    """
    sender = HttpDevice(served, "tablet-a").join("ep01")
    reader = HttpDevice(served, "tablet-b").join("ep01")
    writer = Writer("tablet-a")
    warm, revoked = Event(), Event()

    def send():
        answers = []
        after = 0
        while after < 5:
            batch = [writer.write(f"puncture/p-{len(writer.log)}") for _ in range(4)]
            answers.append(sender.push(*batch))
            if len(answers) == 10:
                warm.set()
            # Some more after the command has ended.
            after += revoked.is_set()
        return answers

    with ThreadPoolExecutor() as pool:
        sending = pool.submit(send)
        try:
            assert warm.wait(timeout=120)
            printed = served.crura("device", "revoke", "tablet-a")
        finally:
            revoked.set()
        answers = sending.result(timeout=120)

    assert "tablet-a is revoked" in printed
    # Each push was answered, and the log moved on to its end: the tablet may let go of all.
    assert [one["tip"]["counter"] for one in answers] == [
        4 * (place + 1) for place in range(len(answers))
    ]
    set_aside = [one["op_id"] for answer in answers for one in answer["quarantined"]]
    all_written = [one.op_id for one in writer.log]
    assert 20 <= len(set_aside) < len(all_written) - 39
    # Once one is set aside, all that follow are: the end is one place of the log.
    assert set_aside == all_written[-len(set_aside) :]
    assert [one.op_id for one in reader.pull()] == all_written[: -len(set_aside)]
    refused = sender.client.get("/api/exchange/pull", params={"stream": "care", "after": 0})
    assert refused.status_code == 403
    assert "was revoked" in refused.json()["detail"]
    _sound_after_stop(served)


def _find_fork(device, log):
    """Halve handshakes as a device does (EX9); return the first counter at which both differ."""
    low, high = 0, len(log)
    while high - low > 1:
        middle = (low + high) // 2
        own = log[middle - 1]
        tip = {"epoch": own.epoch, "counter": own.counter, "hash": own.hash}
        if device.hash_at(tip) == own.hash:
            low = middle
        else:
            high = middle
    return high


def _two_copies(served, counts=(3, 2)):
    """Return a tablet, its copy, and both logs, which part after two entries."""
    first = HttpDevice(served, "tablet-a").join("ep01")
    writer = Writer("tablet-a")
    shared = [writer.write("puncture/p-1"), writer.write("puncture/p-2")]
    first.push(*shared)
    copied = Writer("tablet-a")
    copied.log = list(shared)
    for number in range(counts[0]):
        writer.write(f"puncture/first-{number}")
    for number in range(counts[1]):
        copied.write(f"puncture/copy-{number}", set={"stop_um": 29_000 + number})
    first.push(*writer.log[2:])
    return first, writer.log, copied.log


def _states(operations):
    records = {one.record for one in operations}
    policies = CATALOGUE.policies_of("puncture")
    return {
        record: merge_record(record, [one for one in operations if one.record == record], policies)
        for record in records
    }


def test_a_copied_tablet_with_the_same_key_writes_its_branch_again_signed(served):
    """[EX9] [SG3] [SG8] The planted bug it has caught: a push taken for signed in the epoch alone
    from which its key holds, so that every re-issue was refused.
    """
    first, log, branch = _two_copies(served)
    copy = HttpDevice(served, "tablet-a")
    copy.use(first.token)

    answer = copy.push(*branch[2:])
    assert [one["op_id"] for one in answer["quarantined"]] == ["tablet-a.ep01.3", "tablet-a.ep01.4"]
    assert all("Two devices wrote" in one["sentence"] for one in answer["quarantined"])
    assert _find_fork(copy, branch) == 3
    again = reissue_branch(branch[2:], epoch="ep02")
    answer = copy.push(*again)

    assert answer["quarantined"] == []
    assert answer["tip"] == {"epoch": "ep02", "counter": 2, "hash": again[-1].hash}
    reader = HttpDevice(served, "tablet-b").join("ep01")
    pulled = reader.pull()
    assert [one.op_id for one in pulled] == [one.op_id for one in (*log, *again)]
    states = _states(pulled)
    for number in range(2):
        state = states[f"puncture/copy-{number}"]
        assert shown_value(state.fields["stop_um"]) == 29_000 + number
    _sound_after_stop(served)


def test_a_copy_that_has_lost_the_key_joins_again_and_ends_the_one_before(served):
    """[SG5] [SG6] [EX9] [RQ1] On a real server: the former key opens nothing any more."""
    first, log, branch = _two_copies(served)
    copy = HttpDevice(served, "tablet-a", number=2)
    copy.use(first.token)
    # Unknown to the unit, the new key signs nothing yet: neither requests nor entries.
    assert copy.try_push(*branch[2:]).status_code == 401
    later = Writer("tablet-a", "ep02")
    written = later.write("puncture/later")

    copy.join("ep02", held=first.token)
    assert _find_fork(copy, branch) == 3
    again = reissue_branch(branch[2:], epoch="ep03")
    assert copy.push(written)["quarantined"] == []
    assert copy.push(*again)["quarantined"] == []

    # The other tablet holds the key of before: it too has to join again.
    first.use(copy.token)
    more = Writer("tablet-a")
    more.log = list(log)
    assert first.try_push(more.write("puncture/too-late")).status_code == 401
    pulled = HttpDevice(served, "tablet-b").join("ep01").pull()
    assert [one.op_id for one in pulled] == [one.op_id for one in (*log, written, *again)]
    assert copy.client.get("/api/decisions").json()["alarms"] == []
    _sound_after_stop(served)
