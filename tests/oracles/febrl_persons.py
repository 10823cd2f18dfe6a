"""Persons of the FEBRL data sets, as the linkers take them."""

from api.linkage.person_traits import Person

KEY = b"a key of the network, for tests"


def read_persons(table, *, with_national):
    """Return the persons of a table of FEBRL."""
    return [
        Person(
            id=name,
            family_name=_text(row["surname"]),
            given_name=_text(row["given_name"]),
            born_on=_date(_text(row["date_of_birth"])),
            national=_text(row["soc_sec_id"]) if with_national else "",
            address=f"{_text(row['address_1'])} {_text(row['street_number'])}".strip(),
            place=_text(row["suburb"]),
            postcode=_text(row["postcode"]),
        )
        for name, row in table.iterrows()
    ]


def _text(value):
    return "" if value != value or value is None else str(value)


def _date(text):
    return f"{text[:4]}-{text[4:6]}-{text[6:]}" if len(text) == 8 else ""
