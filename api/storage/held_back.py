"""Operations over which their logs go on while their texts lie in quarantine."""

import msgspec

from api.storage.any_connection import Connection
from api.storage.entry_rows import read_entries
from api.storage.handles import EnteredRecords
from api.storage.operation_store import OperationStore, Quarantined
from sync.operation import Operation

_AT = "log = (SELECT id FROM log WHERE device = ? AND epoch = ?) AND counter = ?"


class HeldBackStore:
    """Puts operations into quarantine in their place of the log, finds them, and lets them in.

    Transactions are the caller's.
    """

    def __init__(self, connection: Connection, operations: OperationStore) -> None:
        self._connection = connection
        self._operations = operations

    def of_id(self, op_id: str) -> list[Quarantined]:
        """Return what lies in quarantine under one id, in order of arrival."""
        rows = self._connection.execute(
            "SELECT op_id, envelope, body, sentence, received_ms FROM quarantine WHERE op_id = ?"
            " ORDER BY rowid",
            (op_id,),
        )
        return [Quarantined(*row) for row in rows]

    def on(self, record: str) -> list[Quarantined]:
        """Return the texts of what was held back on a record, in order of receipt."""
        clause = (
            "WHERE log_entry.record = (SELECT id FROM record WHERE name = ?)"
            " AND is_quarantined = 1 ORDER BY seq"
        )
        return [
            texts
            for entry in read_entries(self._connection, clause, (record,))
            for texts in self.of_id(entry.operation.op_id)
            if texts.envelope == entry.operation.envelope_text
        ]

    def hold_back(self, operation: Operation, sentence: str, *, received_ms: int) -> None:
        """Let a log go on over a sound operation, and keep its texts in quarantine."""
        texts = Quarantined(
            operation.op_id,
            operation.envelope_text,
            operation.body_text or "",
            sentence,
            received_ms,
        )
        self._operations.quarantine(
            texts.op_id, texts.envelope, texts.body, sentence, received_ms=received_ms
        )
        # The same texts may lie there already, from a push that somebody else made (SG3).
        self.say_otherwise(texts, sentence)
        withheld = msgspec.structs.replace(operation, body_text=None)
        self._operations.append([withheld], received_ms=received_ms, is_quarantined=True)

    def say_otherwise(self, texts: Quarantined, sentence: str) -> None:
        """Keep another reason with texts that lie in quarantine."""
        self._connection.execute(
            "UPDATE quarantine SET sentence = ? WHERE envelope = ? AND body IS ?",
            (sentence, texts.envelope, texts.body),
        )

    def let_in(self, operation: Operation, *, received_ms: int) -> EnteredRecords:
        """Take an operation out of quarantine into the log: it is received only now.

        It keeps its place in its own log and gets the next receipt number, so that every device
        reads it, whatever it has read before.
        """
        self._connection.execute(
            "DELETE FROM quarantine WHERE envelope = ? AND body IS ?",
            (operation.envelope_text, operation.body_text),
        )
        self._connection.execute(
            f"DELETE FROM log_entry WHERE {_AT} AND is_quarantined = 1",  # noqa: S608
            (operation.device, operation.epoch, operation.counter),
        )
        return self._operations.append([operation], received_ms=received_ms)
