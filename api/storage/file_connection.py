"""SQLite as the store's connection: what `any_connection.Connection` asks beside statements."""

import sqlite3
from pathlib import Path

# Rewriting the file and long sorts would leave copies in clear in the system's temporary folder.
TEMPORARY = "PRAGMA temp_store=memory"


class FileConnection(sqlite3.Connection):
    """The one connection to the file of a store."""

    # One process alone: nobody else takes rows.
    skip_locked = ""

    def views_version(self) -> int:
        """Return which release and catalogue made the read views, 0 for none."""
        return int(self.execute("PRAGMA user_version").fetchone()[0])

    def keep_views_version(self, version: int) -> None:
        """Keep which release and catalogue made the read views."""
        self.execute(f"PRAGMA user_version = {version:d}")

    def open_handles(self, received_ms: int) -> int:
        """Return the lowest handle of a record: 1 at any time, since nothing is partitioned."""
        del received_ms
        return 1

    def overwrite_freed(self) -> None:
        """Fill pages with zeros at once when they are freed, until the file is squeezed."""
        self.execute("PRAGMA secure_delete = on")

    def squeeze(self) -> None:
        """Write the file anew without free pages and empty its log file; outside a transaction."""
        self.execute("VACUUM")
        self.execute("PRAGMA wal_checkpoint(truncate)").fetchall()
        self.execute("PRAGMA secure_delete = off")

    def copy_to(self, path: Path) -> None:
        """Write a sound copy of the file while it is in use; the target must not exist."""
        target = sqlite3.connect(path)
        # All pages in one go: in steps the copy starts over with each foreign write.
        self.backup(target, pages=-1)
        target.close()

    def check(self) -> str:
        """Return SQLite's own verdict on the file, "ok" when it is sound."""
        return str(self.execute("PRAGMA integrity_check(1)").fetchone()[0])

    def schema(self) -> dict[str, str]:
        """Return the SQL of every table and index by name."""
        rows = self.execute(
            "SELECT name, sql FROM sqlite_master"
            " WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY name"
        )
        return dict(rows.fetchall())
