"""Which implants a search finds, each in its group: same, look-alike, near, by its item, not known.

Pure: no clock, no store. The unit server narrows by its indexes first; what decides stands here.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, Literal

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import ShapeError
from api.clinical_rules.implant_days import days_of, is_within
from api.clinical_rules.label_readings import Reading, read_devices
from api.clinical_rules.lot_names import (
    LookAlikes,
    Verdict,
    compare_any_lot,
    compare_identifiers,
    compare_lots,
    find_identifier_doubt,
    has_other_script,
    identifier_form,
    plain_form,
    plain_name,
    read_look_alikes,
    read_trace_file,
)
from api.clinical_rules.lot_words import says_unknown
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.shapes import civil_date, flag, list_of, one_of, shape, text

# "shelf": the label was not read, and the item that was taken from the shelf is the one (LT16).
Group = Literal["same", "alike", "near", "shelf", "unknown"]
GROUPS: tuple[Group, ...] = ("same", "alike", "near", "shelf", "unknown")
ITEMS = ("coil", "needle", "adhesive")
# More lots take more memory than a unit server can spare. Project default, as for a hub (NL9).
MOST_LOTS = 200

_DEVICE = shape(
    {},
    {
        "identifier": text,
        "lot": text,
        "lot_unknown": flag,
        "serial": text,
        "expires_on": text,
        "raw_label": text,
    },
)
READ_SEARCH = shape(
    {},
    {
        "lots": list_of(text),
        "serial": text,
        "identifier": text,
        "expires_from": civil_date,
        "expires_to": civil_date,
        "item": one_of(*ITEMS),
        "from_on": civil_date,
        "to_on": civil_date,
    },
)
_IMPLANT = shape(
    {"devices": list_of(_DEVICE)},
    {"item": text, "on": text, "case_days": list_of(text), "listed": list_of(text)},
)
_REQUEST = shape({"search": READ_SEARCH, "implants": list_of(_IMPLANT)}, {"kinds": list_of(text)})


class Search(msgspec.Struct, frozen=True, kw_only=True):
    """What is searched for. The period, both days included, bounds the unknown alone (LT8)."""

    lots: tuple[str, ...] = ()
    serial: str | None = None
    identifier: str | None = None
    expires_from: str | None = None
    expires_to: str | None = None
    item: str | None = None
    from_on: str | None = None
    to_on: str | None = None

    @property
    def has_expiry(self) -> bool:
        """Whether expiry dates are searched by."""
        return self.expires_from is not None or self.expires_to is not None

    @property
    def is_led_by_identifier(self) -> bool:
        """Whether neither a lot nor a serial number is searched by, and an identifier is (LT10)."""
        return not self.lots and self.serial is None and self.identifier is not None


class Finding(msgspec.Struct, frozen=True):
    """The group of an implant, None where it is not found, and in what else it differs."""

    group: Group | None
    differs: tuple[str, ...] = ()


def answer_implant_search(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the group of each implant.

    Parameters
    ----------
    request : object
        Parsed JSON with ``search``, ``implants`` and ``kinds``, as RULES.md (LT) has them.
    rule_book : RuleBook
        Holds ``trace/default``, which counts also while nobody has approved it.

    Returns
    -------
    dict
        ``found`` (``group`` or None, ``differs``) in the order of the implants, ``cautions``,
        ``rule_files``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or nothing is searched for.
    RuleFileError
        The look-alikes contradict each other.

    Notes
    -----
    Rules LT1-LT10, LT12, LT13, LT15, LT16.
    """
    read = _REQUEST(request, "")
    search = make_search(read["search"])
    stated = read_trace_file(rule_book)
    look_alikes = read_look_alikes(stated)
    found = [
        _best(
            find_by_item(
                search,
                read_devices(one["devices"], on=one.get("on")),
                look_alikes,
                listed=one.get("listed", ()),
                kinds=read.get("kinds", ()),
                item=one.get("item"),
                on=day,
            )
            for day in days_of(one.get("on"), one.get("case_days", ()))
        )
        for one in read["implants"]
    ]
    return {
        "found": [{"group": one.group, "differs": list(one.differs)} for one in found],
        "cautions": find_cautions(search),
        "rule_files": name_rule_files(stated),
    }


def make_search(read: Mapping[str, Any]) -> Search:
    """Return a search from what was read; empty text counts as left out.

    Raises
    ------
    ShapeError
        Nothing is searched for, or by more than 200 lots; a name has no letter or digit, or says
        that nobody knows it; or a range is turned round.
    """
    lots = tuple(lot for lot in read.get("lots", ()) if lot)
    if len(lots) > MOST_LOTS:
        message = (
            f"search.lots holds {len(lots)} lots, and at most {MOST_LOTS} are searched for at "
            "once. Search for them in parts."
        )
        raise ShapeError(message)
    names = {key: read[key] for key in ("serial", "identifier") if read.get(key)}
    for key, name in [*(("lots", lot) for lot in lots), *names.items()]:
        if plain_form(name) == "" and not has_other_script(name):
            message = f"search.{key} has no letter or digit. Enter it as the label has it."
            raise ShapeError(message)
        if says_unknown(plain_name(name)):
            message = (
                f"search.{key} holds a word for not known. Enter it as the label has it: what "
                "nobody knows is listed by every search."
            )
            raise ShapeError(message)
    for first, last in (("expires_from", "expires_to"), ("from_on", "to_on")):
        if read.get(first) and read.get(last) and read[first] > read[last]:
            message = f"search.{last} lies before search.{first}. Correct one of them."
            raise ShapeError(message)
    days = ("expires_from", "expires_to", "item", "from_on", "to_on")
    search = Search(lots=lots, **names, **{key: read.get(key) for key in days})
    if not lots and not names and not search.has_expiry:
        message = (
            "The search names nothing to search by. Give a lot, a serial number, an identifier or "
            "expiry dates."
        )
        raise ShapeError(message)
    return search


def find_cautions(search: Search) -> list[str]:
    """Return what is doubtful about a search that was made all the same."""
    doubt = find_identifier_doubt(search.identifier) if search.identifier else None
    return [doubt] if doubt else []


def find_group(
    search: Search,
    readings: Sequence[Reading],
    look_alikes: LookAlikes,
    *,
    item: str | None = None,
    on: str | None = None,
) -> Finding:
    """Return where an implant belongs: of several readings the one that fits best counts (LT7)."""
    if search.item is not None and item in ITEMS and item != search.item:
        return Finding(None)
    best = _best(_judge(search, one, look_alikes) for one in readings)
    if best.group == "unknown" and not is_within(on, search.from_on, search.to_on):
        return Finding(None)
    return best


def find_by_item(
    search: Search,
    readings: Sequence[Reading],
    look_alikes: LookAlikes,
    *,
    listed: Sequence[str] = (),
    is_disputed: bool = False,
    kinds: Collection[str] = (),
    item: str | None = None,
    on: str | None = None,
) -> Finding:
    """Return where an implant belongs by its labels, else by its stock item (LT16).

    Parameters
    ----------
    listed : sequence of str
        By which identifiers its stock item is labelled.
    is_disputed : bool
        Two answers stand about these: they find the implant and rule nothing out.
    kinds : collection of str
        Of which kinds the items are that list what is searched for; empty where none does.
    """
    found = [find_group(search, [one], look_alikes, item=item, on=on) for one in readings]
    if search.is_led_by_identifier:
        is_other_kind = bool(kinds) and item in ITEMS and item not in kinds
        for place, reading in enumerate(readings):
            if identifier_form(reading.identifier or "", look_alikes) != "":
                continue
            by_item = (msgspec.structs.replace(reading, identifier=one) for one in listed)
            groups = [
                find_group(search, [one], look_alikes, item=item, on=on).group for one in by_item
            ]
            is_other_item = bool(groups) and not is_disputed and not any(groups)
            if any(group not in (None, "unknown") for group in groups):
                found[place] = Finding("shelf")
            elif is_other_kind or is_other_item:
                found[place] = Finding(None)
    return _best(found)


def _best(found: Iterable[Finding]) -> Finding:
    return min(found, key=lambda one: GROUPS.index(one.group) if one.group else len(GROUPS))


def _judge(search: Search, reading: Reading, look_alikes: LookAlikes) -> Finding:
    verdicts = _compare(search, reading, look_alikes)
    differs = tuple(key for key, verdict in verdicts.items() if verdict == "different")
    known = [one for one in verdicts.values() if one != "unknown"]
    named = {key: one for key, one in verdicts.items() if key in ("lot", "serial")}
    # By what is searched first: a lot or a serial number, without them identifier and expiry.
    leading = named or verdicts
    hits = [one for one in leading.values() if one not in ("unknown", "different")]
    first = next(iter(leading.values()))
    if named and hits:
        group: Group | None = "near" if differs else _worst(known)
    elif named:
        group = "unknown" if first == "unknown" else None
    elif differs:
        group = None
    else:
        group = "unknown" if "unknown" in verdicts.values() else _worst(known)
    return Finding(group, differs if group else ())


def _compare(search: Search, reading: Reading, look_alikes: LookAlikes) -> dict[str, Verdict]:
    """Return how each thing searched for fits, in the order in which they count."""
    verdicts: dict[str, Verdict] = {}
    if search.lots:
        verdicts["lot"] = compare_any_lot(search.lots, reading.lot or "", look_alikes)
    if search.serial is not None:
        verdicts["serial"] = compare_lots(search.serial, reading.serial or "", look_alikes)
    if search.identifier is not None:
        held = reading.identifier or ""
        verdicts["identifier"] = compare_identifiers(search.identifier, held, look_alikes)
    if search.has_expiry:
        day = reading.expires_on
        if day is None or not is_civil_date(day):
            verdicts["expires_on"] = "unknown"
        else:
            is_in = is_within(day, search.expires_from, search.expires_to)
            verdicts["expires_on"] = "same" if is_in else "different"
    return verdicts


def _worst(known: Sequence[Verdict]) -> Group:
    return max((group for group in GROUPS if group in known), key=GROUPS.index)
