"""What patients of a network are compared by, the keys under which they meet, and their links.

Rows are made from the log and can be made anew from it. Transactions are the caller's.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec

from api.linkage.encoded_traits import BITS, EncodedPerson
from api.linkage.network_links import TOGETHER
from api.linkage.pair_finding import LARGEST_BLOCK
from api.storage.any_connection import Connection

_NAME_BYTES = BITS // 8
_AT_ONCE = 500
_COLUMNS = "patient, unit, national, born, birth_year, sex, names"
_LINK_COLUMNS = "link, one, other, standing, per_mille, years_differ"
_JOINED = ", ".join(f"'{one}'" for one in TOGETHER)


class Placed(msgspec.Struct, frozen=True):
    """A person and the unit that holds the record."""

    unit: str
    person: EncodedPerson


class LinkRow(msgspec.Struct, frozen=True):
    """A proposal and how it stands; whether both years of birth are known, and are two."""

    link: str
    one: str
    other: str
    standing: str
    per_mille: int
    years_differ: bool = False


class LinkRows:
    """Traits, keys and links of a hub."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep_person(self, unit: str, person: EncodedPerson) -> None:
        """Keep what a patient is compared by, in place of what was kept before."""
        self.forget_person(person.id)
        names = person.names.to_bytes(_NAME_BYTES) if person.names else b""
        self._connection.execute(
            f"INSERT INTO link_patient ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
            (
                person.id,
                unit,
                person.national,
                person.born,
                person.birth_year,
                person.sex,
                names,
            ),
        )
        self._connection.executemany(
            "INSERT INTO link_key (link_key, patient) VALUES (?, ?)",
            [(key, person.id) for key in keys_of(person)],
        )
        self._count(unit, 1)

    def forget_person(self, patient: str) -> None:
        """Keep nothing of a patient to compare by."""
        row = self._connection.execute(
            "SELECT unit FROM link_patient WHERE patient = ?", (patient,)
        ).fetchone()
        if row is None:
            return
        self._connection.execute("DELETE FROM link_patient WHERE patient = ?", (patient,))
        self._connection.execute("DELETE FROM link_key WHERE patient = ?", (patient,))
        self._count(row[0], -1)

    def find_person(self, patient: str) -> Placed | None:
        """Return what a patient is compared by, None where nothing is kept."""
        found = self.find_people([patient])
        return found[0] if found else None

    def find_people(self, patients: Iterable[str]) -> list[Placed]:
        """Return what is kept of some patients, by record."""
        return [
            _placed(row)
            for some in _parts(sorted(set(patients)))
            for row in self._connection.execute(
                f"SELECT {_COLUMNS} FROM link_patient"  # noqa: S608
                f" WHERE patient IN ({_marks(some)}) ORDER BY patient",
                tuple(some),
            ).fetchall()
        ]

    def sharing_a_key(self, unit: str, person: EncodedPerson) -> list[Placed]:
        """Return the patients of other units that share a key with a person.

        A key that so many share tells nothing and is passed over, but for a national number.
        """
        met: dict[str, None] = {}
        for key in keys_of(person):
            rows = self._connection.execute(
                "SELECT patient FROM link_key WHERE link_key = ? LIMIT ?",
                (key, LARGEST_BLOCK + 2),
            ).fetchall()
            if len(rows) <= LARGEST_BLOCK + 1 or key == person.national:
                met.update((row[0], None) for row in rows)
        met.pop(person.id, None)
        return [one for one in self.find_people(met) if one.unit != unit]

    def others_than(self, unit: str) -> int:
        """Return how many patients of other units can be compared."""
        row = self._connection.execute(
            "SELECT coalesce(sum(patients), 0) FROM link_unit WHERE unit <> ?", (unit,)
        ).fetchone()
        return int(row[0])

    def keep_link(self, row: LinkRow) -> None:
        """Keep how a proposal stands."""
        self._count_joined(row.link, -1)
        self._connection.execute(
            f"INSERT INTO patient_link ({_LINK_COLUMNS})"  # noqa: S608
            " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (link) DO UPDATE SET"
            " one = excluded.one, other = excluded.other,"
            " standing = excluded.standing, per_mille = excluded.per_mille,"
            " years_differ = excluded.years_differ",
            (row.link, row.one, row.other, row.standing, row.per_mille, int(row.years_differ)),
        )
        self._count_joined(row.link, 1)

    def forget_link(self, link: str) -> None:
        """Keep nothing of a proposal that was struck."""
        self._count_joined(link, -1)
        self._connection.execute("DELETE FROM patient_link WHERE link = ?", (link,))

    def links_of(self, patients: Sequence[str]) -> list[LinkRow]:
        """Return every proposal that names one of some patients, by record."""
        found: dict[str, LinkRow] = {}
        for some in _parts(list(patients)):
            for column in ("one", "other"):
                rows = self._connection.execute(
                    f"SELECT {_LINK_COLUMNS} FROM patient_link"  # noqa: S608
                    f" WHERE {column} IN ({_marks(some)})",
                    tuple(some),
                ).fetchall()
                found.update((row[0], _link(row)) for row in rows)
        return [found[name] for name in sorted(found)]

    def links_standing(
        self, standings: Sequence[str], *, least: int = 0, limit: int
    ) -> list[LinkRow]:
        """Return proposals that stand so, the likeliest first."""
        rows = self._connection.execute(
            f"SELECT {_LINK_COLUMNS} FROM patient_link"  # noqa: S608
            f" WHERE standing IN ({_marks(standings)}) AND per_mille >= ?"
            " ORDER BY per_mille DESC, link LIMIT ?",
            (*standings, least, limit),
        ).fetchall()
        return [_link(row) for row in rows]

    def count_standing(self, standings: Sequence[str], *, least: int = 0) -> int:
        """Return how many proposals stand so."""
        row = self._connection.execute(
            "SELECT count(*) FROM patient_link"  # noqa: S608
            f" WHERE standing IN ({_marks(standings)}) AND per_mille >= ?",
            (*standings, least),
        ).fetchone()
        return int(row[0])

    def doubtful_patients(self) -> list[str]:
        """Return the patients of several joins, and one of each join between two years of birth.

        Both are counted as links are kept: what this costs does not grow with what is joined.
        """
        rows = self._connection.execute(
            "SELECT patient FROM link_joined WHERE links > 1 UNION"  # noqa: S608
            f" SELECT one FROM patient_link WHERE years_differ = 1 AND standing IN ({_JOINED})"
        ).fetchall()
        return sorted(row[0] for row in rows)

    def cases_of(self, patients: Iterable[str]) -> dict[str, int]:
        """Return how many cases of the registry each of some patients has."""
        found: dict[str, int] = {}
        for some in _parts(sorted(set(patients))):
            rows = self._connection.execute(
                "SELECT parent.name, count(*) FROM record AS parent"  # noqa: S608
                " JOIN record_state ON record_state.parent = parent.id"
                " JOIN record AS child ON child.id = record_state.record"
                f" WHERE parent.name IN ({_marks(some)})"
                # The sign after the slash: all names that begin with the kind.
                " AND child.name > 'registry_case/' AND child.name < 'registry_case0'"
                " GROUP BY parent.name",
                tuple(some),
            ).fetchall()
            found.update(rows)
        return found

    def children_of(self, record: str, kind: str) -> list[str]:
        """Return the records of a kind under a record, by name."""
        rows = self._connection.execute(
            "SELECT child.name FROM record AS parent"
            " JOIN record_state ON record_state.parent = parent.id"
            " JOIN record AS child ON child.id = record_state.record"
            " WHERE parent.name = ? AND child.name > ? AND child.name < ? ORDER BY child.name",
            # The sign after the slash: all names that begin with the kind.
            (record, f"{kind}/", f"{kind}0"),
        ).fetchall()
        return [row[0] for row in rows]

    def clear(self) -> None:
        """Keep nothing; it is made anew from the log."""
        for table in ("link_patient", "link_key", "link_unit", "link_joined", "patient_link"):
            self._connection.execute(f"DELETE FROM {table}")  # noqa: S608

    def _count_joined(self, link: str, change: int) -> None:
        """Count one join more, or one less, of both patients of a link that stands so."""
        row = self._connection.execute(
            f"SELECT one, other FROM patient_link WHERE link = ? AND standing IN ({_JOINED})",  # noqa: S608
            (link,),
        ).fetchone()
        for patient in row or ():
            self._connection.execute(
                "INSERT INTO link_joined (patient, links) VALUES (?, ?) ON CONFLICT (patient)"
                " DO UPDATE SET links = link_joined.links + excluded.links",
                (patient, change),
            )
            self._connection.execute(
                "DELETE FROM link_joined WHERE patient = ? AND links = 0", (patient,)
            )

    def _count(self, unit: str, change: int) -> None:
        self._connection.execute(
            "INSERT INTO link_unit (unit, patients) VALUES (?, ?) ON CONFLICT (unit)"
            " DO UPDATE SET patients = link_unit.patients + excluded.patients",
            (unit, change),
        )


def keys_of(person: EncodedPerson) -> tuple[str, ...]:
    """Return the keys of a person, the national number among them, each once."""
    named = (person.national,) if person.national else ()
    return tuple(dict.fromkeys((*named, *person.keys)))


def _placed(row: Sequence[object]) -> Placed:
    patient, unit, national, born, birth_year, sex, names = row
    person = EncodedPerson(
        id=str(patient),
        national=str(national),
        born=str(born),
        birth_year=str(birth_year),
        sex=str(sex),
        names=int.from_bytes(names) if isinstance(names, bytes) else 0,
    )
    return Placed(str(unit), person)


def _link(row: Sequence[Any]) -> LinkRow:
    link, one, other, standing, per_mille, years_differ = row
    return LinkRow(link, one, other, standing, per_mille, bool(years_differ))


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def _parts(values: Sequence[str]) -> list[Sequence[str]]:
    return [values[start : start + _AT_ONCE] for start in range(0, len(values), _AT_ONCE)]
