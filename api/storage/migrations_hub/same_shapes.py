"""The shapes of the unit's migrations in the words of PostgreSQL: written once, made twice."""

from collections.abc import Iterable
from importlib import import_module, resources

from api.storage.postgres_words import translate_shape

_VERSIONS = "api.storage.migrations.versions"


def shapes_of(number: str, *, without: Iterable[str] = ()) -> list[str]:
    """Return what a migration of the unit's store makes, for PostgreSQL.

    Parameters
    ----------
    without : iterable of str
        Statements that begin with one of these are left out.
    """
    (name,) = (
        file.name.removesuffix(".py")
        for file in resources.files(_VERSIONS).iterdir()
        if file.name.startswith(f"{number}_")
    )
    left_out = tuple(without)
    statements: tuple[str, ...] = import_module(f"{_VERSIONS}.{name}").STATEMENTS
    return [translate_shape(one) for one in statements if not one.strip().startswith(left_out)]
