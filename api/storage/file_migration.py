"""Brings the unit's SQLite file to the newest schema. Slow to import: see `newest_schema`."""

import sqlite3
from pathlib import Path
from typing import Any

import sqlalchemy
import sqlalchemy.event
import sqlalchemy.exc
from alembic import command
from alembic.config import Config
from alembic.util import CommandError

from api.storage.disk_trouble import describe_disk_trouble
from api.storage.errors import StorageError
from api.storage.file_connection import TEMPORARY
from api.storage.newest_schema import MIGRATIONS


def migrate(path: Path) -> None:
    """Bring the file to the newest schema, all steps and their record in one transaction.

    Raises
    ------
    StorageError
        A newer release wrote it, or it cannot be read as a store.
    DiskFullError, DiskTroubleError
        The disk refused; the file is as it was.
    """
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    engine = sqlalchemy.create_engine(f"sqlite:///{path}", poolclass=sqlalchemy.NullPool)
    sqlalchemy.event.listen(engine, "connect", _leave_transactions_to_us)
    sqlalchemy.event.listen(engine, "begin", _begin)
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        message = f"{path} was written by a newer crura. Install that release, then try again."
        raise StorageError(message) from error
    except (sqlalchemy.exc.DatabaseError, sqlite3.DatabaseError) as error:
        # A migration that reads and writes rows by itself lets the bare error of SQLite through.
        cause = error.orig if isinstance(error, sqlalchemy.exc.DatabaseError) else error
        trouble = describe_disk_trouble(cause)
        if trouble is not None:
            raise trouble from error
        message = f"{path} cannot be read as a store ({cause}). Restore it from a backup."
        raise StorageError(message) from error
    except (sqlalchemy.exc.SQLAlchemyError, ValueError) as error:
        # A changed byte in the names of tables, or in the number of the last migration.
        message = f"{path} cannot be read as a store ({error}). Restore it from a backup."
        raise StorageError(message) from error
    finally:
        engine.dispose()


# Python's sqlite3 begins no transaction before CREATE TABLE: a migration cut off in the middle
# would stay half done.
def _leave_transactions_to_us(connection: Any, _record: object) -> None:  # noqa: ANN401
    connection.isolation_level = None
    connection.execute(TEMPORARY)


def _begin(connection: sqlalchemy.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")
