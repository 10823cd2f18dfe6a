"""Brings the tables of a hub's database to the newest schema. Slow to import."""

from importlib import resources

import psycopg
import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.util import CommandError

from api.storage.errors import StorageError
from api.storage.postgres_connection import WRITERS, database_words, open_session

_WANTED = {"fsync": "on", "full_page_writes": "on", "server_encoding": "UTF8"}
_OLDEST = 150_000


def migrate(url: str) -> None:
    """Bring the tables to the newest schema, all steps in one transaction; others wait.

    Raises
    ------
    StorageError
        It cannot be reached, was written by a newer release, or does not promise to keep what it
        has answered for.
    """
    session = open_session(url)
    engine = sqlalchemy.create_engine(
        "postgresql+psycopg://", creator=lambda: session, poolclass=sqlalchemy.StaticPool
    )
    config = Config()
    folder = resources.files("api.storage") / "migrations_hub"
    config.set_main_option("script_location", str(folder))
    try:
        _refuse_unsafe(session)
        session.autocommit = False
        with engine.begin() as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITERS})")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        message = "The hub's database was written by a newer crura. Install that release first."
        raise StorageError(message) from error
    except (sqlalchemy.exc.SQLAlchemyError, psycopg.Error) as error:
        said = database_words(getattr(error, "orig", None) or error)
        message = f"The hub's tables cannot be made ({said}). Give a database of its own."
        raise StorageError(message) from error
    finally:
        engine.dispose()
        session.close()


def _refuse_unsafe(session: psycopg.Connection[object]) -> None:
    if session.info.server_version < _OLDEST:
        raise StorageError("The hub needs PostgreSQL 15 or newer. Install it, then try again.")
    for name, wanted in _WANTED.items():
        row = session.execute("SELECT current_setting(%s)", (name,)).fetchone()
        if row != (wanted,):
            message = f"The hub's database has {name} = {row}. Set it to {wanted}, then try again."
            raise StorageError(message)
