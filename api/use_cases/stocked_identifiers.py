"""By which identifiers the items of the unit's shelf are labelled, for a search (LT11, LT16)."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Self

import msgspec

from api.clinical_rules.implant_search import Finding, Search, find_by_item
from api.clinical_rules.label_readings import Reading
from api.clinical_rules.lot_names import LookAlikes, identifier_form
from api.storage.unit_store import UnitStore
from api.use_cases.record_values import text_of
from sync.merge import RecordState

_KIND = "stock_item"


class StockedIdentifiers(msgspec.Struct, frozen=True):
    """Every stock item with its identifiers.

    Parameters
    ----------
    listed : mapping
        By record: every identifier that somebody wrote for the item.
    disputed : frozenset of str
        Items of which two answers stand, and those entered in error: they rule nothing out.
    kinds : mapping
        By record: what kind of device the item is, "" where that is not told.
    """

    listed: Mapping[str, tuple[str, ...]] = {}
    disputed: frozenset[str] = frozenset()
    kinds: Mapping[str, str] = {}

    @classmethod
    def read(cls, store: UnitStore) -> Self:
        """Return those of a unit; inside a transaction."""
        states = store.views.of_kind(_KIND)
        return cls(
            {state.record: tuple(_identifiers(state)) for state in states},
            frozenset(one.record for one in states if _is_disputed(one)),
            {state.record: text_of(state, "item") for state in states},
        )

    def others_of(self, identifier: str, look_alikes: LookAlikes) -> list[str]:
        """Return the other identifiers of every item that lists one (LT11)."""
        wanted = identifier_form(identifier, look_alikes)
        found: dict[str, str] = {}
        for names in self.listed.values():
            forms = {identifier_form(name, look_alikes): name for name in names}
            if wanted and wanted in forms:
                found.update(forms)
        return [name for form, name in found.items() if form not in ("", wanted)]

    def widen(self, search: Search, look_alikes: LookAlikes) -> list[Search]:
        """Return a search, and once more for each identifier that the same item bears (LT11)."""
        others = self.others_of(search.identifier or "", look_alikes)
        return [search, *(msgspec.structs.replace(search, identifier=name) for name in others)]

    def judge(
        self,
        search: Search,
        readings: Sequence[Reading],
        look_alikes: LookAlikes,
        *,
        stock: str | None,
        kinds: frozenset[str],
        item: str | None,
        on: str | None = None,
    ) -> Finding:
        """Return where a device of a stock item belongs (LT16)."""
        return find_by_item(
            search,
            readings,
            look_alikes,
            listed=self.of_item(stock),
            is_disputed=self.is_disputed(stock),
            kinds=kinds,
            item=item,
            on=on,
        )

    def items_of(self, searches: Iterable[Search], look_alikes: LookAlikes) -> list[str]:
        """Return the items that list what is searched for, by record and by id alone."""
        found = self._matching(searches, look_alikes)
        return [*found, *(one.removeprefix(f"{_KIND}/") for one in found)]

    def kinds_of(self, searches: Iterable[Search], look_alikes: LookAlikes) -> frozenset[str]:
        """Return of which kinds these items are; none where one of them tells no kind."""
        kinds = {
            self.kinds[one]
            for one in self._matching(searches, look_alikes)
            if one not in self.disputed
        }
        return frozenset() if "" in kinds else frozenset(kinds)

    def of_item(self, stock: str | None) -> tuple[str, ...]:
        """Return the identifiers of a stock item as a record names it."""
        return self.listed.get(_record_of(stock), ())

    def is_disputed(self, stock: str | None) -> bool:
        """Say whether nobody knows for certain by what the item is labelled."""
        return _record_of(stock) in self.disputed

    def _matching(self, searches: Iterable[Search], look_alikes: LookAlikes) -> list[str]:
        wanted = {identifier_form(one.identifier or "", look_alikes) for one in searches} - {""}
        return [
            record
            for record, names in self.listed.items()
            if wanted & {identifier_form(name, look_alikes) for name in names}
        ]


def _record_of(stock: str | None) -> str:
    return f"{_KIND}/{(stock or '').removeprefix(f'{_KIND}/')}"


def _identifiers(state: RecordState) -> list[str]:
    held = state.fields.get("identifiers")
    lists = [one.value for one in held.values] if held else []
    return [
        name
        for names in lists
        if isinstance(names, list | tuple)
        for name in names
        if isinstance(name, str)
    ]


def _is_disputed(state: RecordState) -> bool:
    held = state.fields.get("identifiers")
    return state.is_entered_in_error or (held is not None and len(held.values) > 1)
