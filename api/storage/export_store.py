"""Exports of a hub: who asked and approved, the key of each project, the files made.

Transactions are the caller's.
"""

from api.storage.any_connection import Connection


class ExportStore:
    """De-identified exports by id; what stands of each is JSON of the use case."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, export: str, content: str, *, asked_ms: int) -> None:
        """Keep what stands of an export; files that were made stay."""
        self._connection.execute(
            "INSERT INTO registry_export (export, asked_ms, content) VALUES (?, ?, ?)"
            " ON CONFLICT (export) DO UPDATE SET content = excluded.content",
            (export, asked_ms, content),
        )

    def keep_archive(self, export: str, archive: bytes) -> None:
        """Keep the files of an export, as one archive."""
        self._connection.execute(
            "UPDATE registry_export SET archive = ? WHERE export = ?", (archive, export)
        )

    def find(self, export: str) -> str | None:
        """Return what stands of an export, None where there is none."""
        row = self._connection.execute(
            "SELECT content FROM registry_export WHERE export = ?", (export,)
        ).fetchone()
        return str(row[0]) if row else None

    def archive(self, export: str) -> bytes | None:
        """Return the archive of an export, None where none was made."""
        row = self._connection.execute(
            "SELECT archive FROM registry_export WHERE export = ?", (export,)
        ).fetchone()
        return bytes(row[0]) if row and row[0] is not None else None

    def listed(self) -> list[str]:
        """Return what stands of every export, the latest first."""
        rows = self._connection.execute(
            "SELECT content FROM registry_export ORDER BY asked_ms DESC, export"
        )
        return [str(row[0]) for row in rows.fetchall()]

    def project_key(self, project: str, *, otherwise: bytes, made_ms: int) -> bytes:
        """Return the key of a project, made from what was drawn where there is none yet."""
        self._connection.execute(
            "INSERT INTO export_project (project, secret, made_ms) VALUES (?, ?, ?)"
            " ON CONFLICT (project) DO NOTHING",
            (project, otherwise, made_ms),
        )
        row = self._connection.execute(
            "SELECT secret FROM export_project WHERE project = ?", (project,)
        ).fetchone()
        return bytes(row[0])
