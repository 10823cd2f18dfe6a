"""Whether a store's file has the newest schema, without the tools that would bring it there."""

import re
import sqlite3
from contextlib import closing
from importlib import resources
from pathlib import Path

MIGRATIONS = resources.files("api.storage") / "migrations"
_STEP = re.compile(r"([0-9]{4})_\w+\.py")


def newest_revision() -> str:
    """Return the number of the last step: they form one line, in the order of their names."""
    names = (_STEP.fullmatch(one.name) for one in (MIGRATIONS / "versions").iterdir())
    return max(one[1] for one in names if one)


def is_newest(path: Path) -> bool:
    """Say whether a file says of itself that it has the newest schema.

    A file that is not there, or says it in any way not understood, has not.
    """
    if not path.exists():
        return False
    try:
        with closing(sqlite3.connect(path)) as connection:
            held = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    except (sqlite3.Error, ValueError):
        # A changed byte in the names of tables is a text that nobody can read.
        return False
    return held == [(newest_revision(),)]
