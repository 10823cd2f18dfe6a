"""The authorisation table: askers, objects and verbs, and the records each may read or write.

Deny by default: what no row allows is not allowed. Content comes in as bytes; no file is opened
here. One place decides (SEC-21); routes, pulls and pushes ask it.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Literal

import msgspec

from api.record_catalogue.catalogue import Catalogue

ALL = "*"
AskerKind = Literal["public", "device", "person", "machine"]
Fields = tuple[str, ...] | Literal["*"]
_PERSON = "person:"
_NOTHING = "This is open to nobody. Ask whoever keeps this server."


class AccessTableError(Exception):
    """The table contradicts itself or the catalogue; the text names the row to correct."""


class Asker(msgspec.Struct, frozen=True):
    """Who asks.

    ``role`` is that of a device (bedside, booking; waiting or revoked where it stands so) or of a
    person of the staff; "" for public and machine. ``id`` is the device or ``staff/<id>``.
    """

    kind: AskerKind
    role: str = ""
    id: str = ""

    @property
    def name(self) -> str:
        """How the rows of the table name it."""
        return f"{self.kind}:{self.role}" if self.role else self.kind


class Grant(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What one asker may do in one stream: kind to its fields, ``*`` for all there are.

    ``keeps_newer`` lets kinds and fields that this catalogue does not know pass as they are
    (HAZ-38); a kind or field it knows has to be named.
    """

    asker: str
    verb: Literal["read", "write"]
    stream: str
    kinds: Mapping[str, Fields] | Literal["*"]
    keeps_newer: bool = False

    @property
    def is_open(self) -> bool:
        """Say whether all of the stream is granted, also what is newer than the catalogue."""
        return self.kinds == ALL and self.keeps_newer

    def fields_of(self, kind: str) -> Fields:
        """Return the fields granted of a kind, none where it is not named."""
        return ALL if self.kinds == ALL else self.kinds.get(kind, ())  # type: ignore[union-attr]


class Row(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One object that routes hand out or change, and who may do what with it.

    ``refusal`` is what a known asker is told who may not; it says what to do next.
    """

    object: str
    meaning: str
    refusal: str
    verbs: Mapping[str, tuple[str, ...]]


class _Named(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    id: str
    meaning: str


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    version: int
    askers: tuple[_Named, ...]
    objects: tuple[Row, ...]
    records: tuple[Grant, ...]


class AccessTable(msgspec.Struct, frozen=True):
    """The table, read and checked."""

    askers: tuple[str, ...]
    objects: Mapping[str, Row]
    grants: Mapping[tuple[str, str, str], Grant]

    def has(self, need: str) -> bool:
        """Say whether a row stands for what a route needs, ``<object>.<verb>``."""
        thing, _, verb = need.rpartition(".")
        return thing in self.objects and verb in self.objects[thing].verbs

    def may(self, asker: Asker, verb: str, thing: str) -> bool:
        """Say whether somebody may do this; no for everything that has no row."""
        return asker.name in self.allowed(verb, thing)

    def is_public(self, verb: str, thing: str) -> bool:
        """Say whether nobody has to say who they are."""
        return self.may(Asker("public"), verb, thing)

    def refusal(self, thing: str) -> str:
        """Return what somebody is told who may not, with what to do next."""
        row = self.objects.get(thing)
        return row.refusal if row else _NOTHING

    def allowed(self, verb: str, thing: str) -> tuple[str, ...]:
        """Return the askers who may do this, by name."""
        row = self.objects.get(thing)
        return row.verbs.get(verb, ()) if row else ()

    def streams_of(self, asker: Asker, verb: str = "read") -> tuple[str, ...]:
        """Return the streams in which somebody may read or write anything."""
        return tuple(
            stream for name, does, stream in self.grants if (name, does) == (asker.name, verb)
        )

    def people_who_write(self, stream: str, kind: str) -> tuple[str, ...]:
        """Return the roles of people to whom alone a kind is granted; none where no row names it.

        A device writes in the name of a person; where a row for people names a kind, that person
        has to have such a role as well.
        """
        return tuple(
            name.removeprefix(_PERSON)
            for (name, verb, place), grant in self.grants.items()
            if (verb, place) == ("write", stream)
            and name.startswith(_PERSON)
            and grant.fields_of(kind) != ()
        )

    def fields_denied(
        self,
        asker: Asker,
        verb: str,
        catalogue: Catalogue,
        *,
        stream: str,
        kind: str,
        fields: Callable[[], Iterable[str]],
    ) -> tuple[str, ...] | None:
        """Return which fields of a record somebody may not read or write.

        Parameters
        ----------
        fields : callable
            Gives the fields asked about; called only where some of the kind are granted, not all.

        Returns
        -------
        tuple of str or None
            The fields in the order asked; none of them when all are granted. None when nothing
            of the kind is granted in that stream at all.
        """
        grant = self.grants.get((asker.name, verb, stream))
        if grant is None:
            return None
        known = catalogue.kinds.get(kind)
        if known is None:
            return () if grant.keeps_newer else None
        granted = grant.fields_of(kind)
        if known.stream != stream or granted == ():
            return None
        if granted == ALL:
            return ()
        names = {field.id for field in known.fields}
        return tuple(
            field
            for field in fields()
            if field not in granted and (field in names or not grant.keeps_newer)
        )


def read_access_table(content: bytes, catalogue: Catalogue) -> AccessTable:
    """Return the table that the bytes of `access_table.json` hold.

    Raises
    ------
    AccessTableError
        Unknown keys, a row that stands twice, an asker that is not listed, or a stream, kind or
        field that the catalogue does not have there.
    """
    try:
        file = msgspec.json.decode(content, type=_File)
    except msgspec.MsgspecError as error:
        message = f"access_table.json cannot be read ({error}). Correct it there."
        raise AccessTableError(message) from error
    askers = tuple(one.id for one in file.askers)
    objects: dict[str, Row] = {}
    for row in file.objects:
        if row.object in objects:
            raise AccessTableError(f"Object {row.object} stands twice. Remove one.")
        for verb, allowed in row.verbs.items():
            _refuse_strangers(askers, allowed, f"{row.object}.{verb}")
        objects[row.object] = row
    grants: dict[tuple[str, str, str], Grant] = {}
    for grant in file.records:
        place = grant.asker, grant.verb, grant.stream
        if place in grants:
            raise AccessTableError(f"{' '.join(place)} stands twice. Join both rows.")
        _refuse_strangers(askers, (grant.asker,), " ".join(place))
        _refuse_unknown_records(grant, catalogue)
        grants[place] = grant
    return AccessTable(askers, objects, grants)


def _refuse_strangers(askers: tuple[str, ...], named: Iterable[str], where: str) -> None:
    for name in named:
        if name not in askers:
            raise AccessTableError(f"{where} names {name}, which is no asker. Correct it.")


def _refuse_unknown_records(grant: Grant, catalogue: Catalogue) -> None:
    where = f"{grant.asker} {grant.verb} {grant.stream}"
    if grant.stream not in {kind.stream for kind in catalogue.kinds.values()}:
        raise AccessTableError(f"{where}: no kind travels in that stream. Correct it.")
    if isinstance(grant.kinds, str):
        return
    for kind, fields in grant.kinds.items():
        known = catalogue.kinds.get(kind)
        if known is None or known.stream != grant.stream:
            raise AccessTableError(f"{where}: {kind} does not travel there. Correct it.")
        names = {field.id for field in known.fields}
        for field in () if isinstance(fields, str) else fields:
            if field not in names:
                raise AccessTableError(f"{where}: {kind} has no field {field}. Correct it.")
