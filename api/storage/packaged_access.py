"""Reads the authorisation table that this release carries. The table itself opens no file."""

from functools import cache
from importlib import resources

from api.access.access_table import AccessTable, read_access_table
from api.record_catalogue.catalogue import read_catalogue


@cache
def read_packaged_access_table() -> AccessTable:
    """Return the table, checked against the catalogue beside it; it is read once."""
    catalogue = (resources.files("api.record_catalogue") / "catalogue.json").read_bytes()
    table = (resources.files("api.access") / "access_table.json").read_bytes()
    return read_access_table(table, read_catalogue(catalogue))
