"""What may leave as a lot: a text of a label, and nothing that tells of a person. Pure. Rule RG7.

Whoever scans a wristband or types a name into the field of the lot must not send it out. What may
not leave is told as unknown, so that a search lists the case and nobody is missed.
"""

import re

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.lot_names import plain_form
from api.linkage.name_sounds import fold_text

# What a label can say: GS1 General Specifications, application identifier 10; HIBC likewise.
_LOT = re.compile(r"[A-Za-z0-9][A-Za-z0-9./_+-]{0,19}")
_PARTED = re.compile(r"([0-9]{1,4})[./_+-]([0-9]{1,2})[./_+-]([0-9]{1,4})")
_WHOLE = re.compile(r"[0-9]{8}")
# Unit setting (project default): what is shorter stands in too many lots by chance.
_LEAST_SIGNS = 4
_FIRST_YEAR, _LAST_YEAR = 1880, 2100
_MONTHS, _DAYS = 12, 31
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})


class Identity(msgspec.Struct, frozen=True):
    """Who the patient of a case is, by every answer that was ever given: local numbers, names.

    `days` are civil dates: of birth, and of the procedure, whose true day would tell by how many
    days all others are moved.
    """

    numbers: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    days: tuple[str, ...] = ()


class PersonalSigns(msgspec.Struct, frozen=True):
    """What would tell of the patient of a case, in the plain form of lots.

    Parameters
    ----------
    within : frozenset of str
        No lot may hold one of these: local number, names, days written out.
    whole : frozenset of str
        No lot may be one of these: a short number, days of six digits.
    """

    within: frozenset[str] = frozenset()
    whole: frozenset[str] = frozenset()

    def stand_in(self, text: str) -> bool:
        """Say whether a text tells of the patient."""
        plain = plain_form(text)
        return plain in self.whole or any(one in plain for one in self.within)


def find_personal_signs(identity: Identity, treated_on: str = "") -> PersonalSigns:
    """Return what no lot of a case may hold."""
    numbers = {plain_form(one) for one in identity.numbers}
    numbers |= {re.sub("[A-Z]", "", one) for one in numbers}
    names = {
        plain_form(fold_text(word.lower().translate(table)))
        for name in identity.names
        for word in re.split(r"[^\w]+", name)
        for table in (_UMLAUTS, {})
    }
    within = {one for one in numbers | names if len(one) >= _LEAST_SIGNS}
    whole = numbers - {""}
    for day in {*identity.days, treated_on}:
        if is_civil_date(day):
            year, month, of_month = day.split("-")
            written = [(year, month, of_month), (of_month, month, year), (month, of_month, year)]
            within |= {"".join(parts) for parts in written}
            whole |= {"".join(part[-2:] for part in parts) for parts in written}
    return PersonalSigns(frozenset(within), frozenset(whole))


def is_lot(text: str, serial: str = "", personal: PersonalSigns | None = None) -> bool:
    """Say whether a text may leave as a lot: as on a label, with a digit, and of no person.

    Neither a serial number nor a date may, whosever it is.
    """
    plain = plain_form(text)
    if not _LOT.fullmatch(text) or not any(sign.isdigit() for sign in text):
        return False
    if plain == plain_form(serial) or _is_date(text):
        return False
    return personal is None or not personal.stand_in(plain)


def _is_date(text: str) -> bool:
    """Say whether a text reads as a day: three parted numbers, or eight digits with a year."""
    parted = _PARTED.fullmatch(text)
    if parted:
        return _is_day(*parted.groups())
    if not _WHOLE.fullmatch(text):
        return False
    return any(
        _is_day(*parts)
        for parts in ((text[:4], text[4:6], text[6:]), (text[:2], text[2:4], text[4:]))
    )


def _is_day(first: str, second: str, third: str) -> bool:
    """Say whether three numbers are a day in the order of any country: the year first or last."""
    return any(
        _is_year(year) and _is_day_of_year(one, other)
        for year, one, other in ((first, second, third), (third, first, second))
    )


def _is_year(text: str) -> bool:
    return len(text) == len("26") or _FIRST_YEAR <= int(text) <= _LAST_YEAR


def _is_day_of_year(one: str, other: str) -> bool:
    low, high = sorted((int(one), int(other)))
    return 1 <= low <= _MONTHS and high <= _DAYS
