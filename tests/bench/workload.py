"""Invented work for the bench: the logs of devices, as a unit's days would leave them.

Forty operations a case in the mix of a played procedure: mostly step events and other records
written once, some fields of the case written again over what was on screen. Everything follows
from a seed.
"""

import gzip
import random
from collections.abc import Iterator

import msgspec

from sync.clock import Stamp
from sync.exchange import cut_batch
from sync.operation import Body, Operation, make_operation, read_operation
from sync.wire import ROW_BYTES, digest_rows, write_rows
from tests.unit.api.signing_device import SigningDevice

START_MS = 1_764_000_000_000
OPERATIONS_A_CASE = 40
CASES_TO_ONE_OPEN = 25
_STEPS = [
    "identity",
    "consent",
    "allergies",
    "drugs_held",
    "airway",
    "blood_available",
    "eye_protection",
    "kit_counted",
    "oesophagus",
    "retroflexion",
    "gas_out",
    "water_in",
    "intramural",
    "feeder",
    "shunt_seen",
    "axes",
    "access",
    "time_out",
    "needle_flushed",
    "distance",
    "stop_set",
    "tip_seen",
    "blood_return",
]
_NAMES = ("Quillmere", "Larkwater", "Fenwright", "Eddlestone", "Marrowby", "Larkspire")


class DeviceLog:
    """One device's log as it grows; the chain and the stamps are real."""

    def __init__(self, device: str, *, seed: int = 1) -> None:
        self.device = device
        self.epoch = "bench1"
        self._chance = random.Random(f"{device} {seed}")
        self._counter = 0
        self._previous = ""
        self._wall_ms = START_MS

    def write(
        self, record: str, stream: str, *, over: dict[str, tuple[str, ...]] | None = None, **fields
    ) -> Operation:
        """Append one operation and return it."""
        self._counter += 1
        self._wall_ms += self._chance.randrange(400, 40_000)
        operation = make_operation(
            device=self.device,
            epoch=self.epoch,
            counter=self._counter,
            previous=self._previous,
            stream=stream,
            record=record,
            stamp=str(Stamp(self._wall_ms, 0, self.device)),
            body=Body(
                salt=self._chance.randbytes(16).hex(),
                by="staff/wren-quillfeather",
                tapped_by="staff/juno-marrowby",
                catalogue=2,
                set=fields,
                over=over or {},
            ),
        )
        self._previous = operation.hash
        return operation

    def write_id(self) -> str:
        """Return an id like those of the app: ordered by time, the rest by chance."""
        return f"{self._wall_ms:x}{self._chance.randbytes(6).hex()}"

    def write_case(self, number: int) -> Iterator[Operation]:
        """Yield the forty operations of one case with its patient and visits."""
        patient, case = f"patient/{self.write_id()}", f"case/{self.write_id()}"
        yield self.write(
            patient,
            "booking",
            family_name=f"{_NAMES[number % len(_NAMES)]}-{number}",
            given_name="Imelda",
            born_on=f"19{40 + number % 50}-0{1 + number % 9}-17",
            sex="female",
            local_id=f"TH-{40_000 + number}",
            phone=f"01632 96{number % 10_000:04d}",
            identity="confirmed",
        )
        opened = self.write(
            case,
            "care",
            patient=patient,
            stage="workup",
            opened_at="2026-11-25T09:11:00+00:00",
            indication="secondary-prophylaxis",
            procedure_on="2026-11-25",
        )
        yield opened
        yield self.write(case, "care", cause="alcohol", varix_class="GOV2", past_bleeds=1)
        yield self.write(case, "care", ascites="mild", encephalopathy="none", dialysis=False)
        for analyte, unit in (("bilirubin", "umol/L"), ("albumin", "g/L"), ("inr", "ratio")):
            result = {"value_milli": 34_000, "unit": unit, "origin": "measured"}
            yield self.write(
                f"lab_result/{self.write_id()}", "care", case=case, analyte=analyte, result=result
            )
        started = self.write(
            case, "care", stage="in-procedure", over={"stage": (opened.reference,)}
        )
        yield started
        target = f"target/{self.write_id()}"
        size = {"short_axis_um": 14_000, "long_axis_um": 22_000, "origin": "measured"}
        yield self.write(target, "care", case=case, label="Varix A", size=size, order=1)
        for step in _STEPS:
            yield self.write(
                f"step_event/{self.write_id()}",
                "care",
                case=case,
                step=step,
                round={"target": None, "puncture": None, "coil": None, "aliquot": None},
                outcome="done",
                at="2026-11-25T09:36:00+00:00",
            )
        for slot in (1, 2):
            yield self.write(
                f"coil_placed/{self.write_id()}",
                "care",
                case=case,
                target=target,
                slot=slot,
                coil={"loop_um": 18_000, "wire": "035"},
                device={"lot": f"LOT-{number % 40:04d}", "expires_on": "2028-01-31"},
                at="2026-11-25T09:52:00+00:00",
            )
        yield self.write(
            f"adhesive_injected/{self.write_id()}",
            "care",
            case=case,
            target=target,
            amount={"amount_ul": 1_000},
            elapsed_ms=31_000,
            at="2026-11-25T10:01:00+00:00",
        )
        if number % CASES_TO_ONE_OPEN == 0:
            yield self.write(case, "care", allergies=["none-known"])
        else:
            yield self.write(case, "care", stage="closed", over={"stage": (started.reference,)})
        for label in ("3 months", "6 months", "12 months", "24 months"):
            yield self.write(
                f"visit/{self.write_id()}",
                "booking",
                patient=patient,
                case=case,
                label=label,
                window={"from": "2027-02-11", "target": "2027-02-25", "to": "2027-03-11"},
                status="to-book",
            )


def make_cases(log: DeviceLog, count: int, *, first: int = 0) -> list[Operation]:
    """Return the operations of so many cases, in the order of the log."""
    return [operation for number in range(count) for operation in log.write_case(first + number)]


def cut_batches(operations: list[Operation]) -> list[list[tuple[str, str]]]:
    """Return operations as they travel, in batches as a device cuts them (EX5, EX17)."""
    texts, batches = texts_of(operations), []
    while texts:
        fitting = cut_batch([ROW_BYTES + len(body.encode()) for _, body in texts])
        batches.append(texts[:fitting])
        texts = texts[fitting:]
    return batches


def squeeze_push(device: str, batch: list[tuple[str, str]]) -> bytes:
    """Return the request of one push as a tablet sends it: in rows (EX16), signed, squeezed."""
    operations = [read_operation(*texts) for texts in batch]
    rows, digest = write_rows(operations), digest_rows(operations, device)
    signature = SigningDevice(device).sign_head(operations[-1])
    content = {"device": device, "rows": rows, "digest": digest, "signature": signature}
    return gzip.compress(msgspec.json.encode(content), 6)


def texts_of(operations: list[Operation]) -> list[tuple[str, str]]:
    """Return operations as they travel."""
    return [(one.envelope_text, one.body_text or "") for one in operations]
