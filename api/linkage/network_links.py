"""When two patients of two units are one: what people of the hub and both units said of a pair.

Two voices join, and one of them is a person of the hub: all units together are the other at most,
since the hub cannot tell their people apart. To part what is joined takes two people of the hub as
well: nobody alone makes one person out of two, or two out of one. One unit that says they are two
outweighs everybody (HAZ-42). Nothing is fused; parting leaves both as they were (HAZ-41).
"""

from collections.abc import Collection, Iterable, Mapping

import msgspec

from api.linkage.link_graph import LinkAct, Standing, group_records, judge_acts

JOINED, PARTED, PROPOSED = "joined", "parted", "proposed"
# It is joined, and one of two people has said that it is to be parted.
PARTING = "parting"
TOGETHER = (JOINED, PARTING)
SAME, NOT_SAME, CANNOT_TELL = "same", "not-same", "cannot-tell"
ANSWERS = (SAME, NOT_SAME, CANNOT_TELL)
# Of one person, no more records than these: where more meet, a link in between is wrong. From
# memory (project default).
MOST_IN_GROUP = 6
TOLD_APART, TWO_BIRTH_YEARS, TOO_MANY = "told-apart", "two-birth-years", "too-many"
# They were joined, and what they were joined on was corrected since.
NO_LONGER_ALIKE = "no-longer-alike"
# Who gave a voice took it back: why the hub wrote so. Nothing begins anew by it (NL2).
VOICE_TAKEN_BACK = "voice-taken-back"
FEWEST_TO_PART = 2
_BOTH_UNITS = 2
_UNITS, _HUB = "units", "hub"
# From these levels on, a trait counts as an identifier that is the same (HAZ-42). Sex is none.
_IDENTIFIERS = {"names": ("alike", "the same"), "day of birth": ("the same",)}
_NATIONAL = "national number"
_IDENTIFIERS[_NATIONAL] = ("the same",)


class LinkVoices(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that was said of a pair and stands.

    Parameters
    ----------
    states : collection of str
        Each answer about the state that the hub holds: more than one where two were written.
    people : collection of str
        Who of the hub said that the two are one person.
    answers : mapping of str to collection of str
        What each unit answered.
    same : collection of str
        Names of the identifiers that agree.
    is_number_unlike : bool
        Both national numbers are known, and they are two.
    parting : collection of str
        Who of the hub said, since they were joined, that they are to be parted.
    """

    one: str
    other: str
    states: Collection[str]
    people: Collection[str]
    answers: Mapping[str, Collection[str]]
    same: Collection[str]
    is_number_unlike: bool = False
    parting: Collection[str] = ()


class Finding(msgspec.Struct, frozen=True):
    """Records that links would make one person, and why they do not count as one."""

    records: tuple[str, ...]
    why: str


def agreeing_identifiers(traits: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return which identifiers agree in traits and levels told in words."""
    return tuple(name for name, level in traits if level in _IDENTIFIERS.get(name, ()))


def is_number_unlike(traits: Iterable[tuple[str, str]]) -> bool:
    """Say whether traits and levels told in words hold two different national numbers."""
    return (_NATIONAL, "unlike") in traits


def lacks_both_units(voices: LinkVoices) -> bool:
    """Say whether two national numbers forbid a join until both units say that it is one person.

    Two people of one birth date and of names alike, twins for one, differ in nothing else.
    """
    sure = [unit for unit, answers in voices.answers.items() if {*answers} == {SAME}]
    return voices.is_number_unlike and len(sure) < _BOTH_UNITS


def count_identifiers(voices: LinkVoices) -> int:
    """Return how many identifiers speak for a join, 0 while two national numbers forbid it."""
    return 0 if lacks_both_units(voices) else len({*voices.same})


def are_parted_by_people(voices: LinkVoices) -> bool:
    """Say whether people of the hub parted or set aside: two of them, where the pair was joined.

    Where two gave their voices at once, and neither had seen the other's, both count.
    """
    many = len({*voices.parting}) >= FEWEST_TO_PART
    return PARTED in voices.states or (JOINED in voices.states and many)


def judge_voices(voices: LinkVoices) -> Standing:
    """Return how a pair stands: ``proposed``, ``one_voice``, ``joined`` or ``apart``.

    Notes
    -----
    HAZ-42: two voices, at least two identifiers that agree, and nobody who says they are two;
    where the national numbers are two, both units have to say that it is one person.
    """
    said = {answer for answers in voices.answers.values() for answer in answers}
    same = () if lacks_both_units(voices) else tuple(voices.same)
    by = [*dict.fromkeys(voices.people), *([_UNITS] if SAME in said else [])]
    acts = [
        LinkAct(one=voices.one, other=voices.other, act="join", by=who, same=same) for who in by
    ]
    apart = [unit for unit, answers in voices.answers.items() if NOT_SAME in answers]
    if are_parted_by_people(voices):
        apart.append(_HUB)
    acts += [LinkAct(one=voices.one, other=voices.other, act="apart", by=who) for who in apart]
    pair = (min(voices.one, voices.other), max(voices.one, voices.other))
    return judge_acts(acts).get(pair, Standing(*pair, "proposed", ()))


def group_patients(
    standings: Iterable[Standing], birth_years: Mapping[str, str]
) -> tuple[list[tuple[str, ...]], list[Finding]]:
    """Return the groups of records that are one person, and those that a guard keeps apart.

    Parameters
    ----------
    birth_years : mapping
        Year of birth by record; "" or missing is not known.

    Notes
    -----
    A chain of right links with one wrong one in it joins two people (HAZ-42). So a group counts
    only where nobody told two of it apart, all years of birth are one, and it is small.
    """
    found = list(standings)
    together = group_records(one for one in found if one.state == JOINED)
    place = {record: number for number, records in enumerate(together) for record in records}
    apart = {
        place[one.one]
        for one in found
        if one.state == "apart" and one.one in place and place[one.one] == place.get(one.other)
    }
    groups: list[tuple[str, ...]] = []
    findings: list[Finding] = []
    for number, records in enumerate(together):
        years = {birth_years.get(one, "") for one in records} - {""}
        if number in apart:
            findings.append(Finding(records, TOLD_APART))
        elif len(years) > 1:
            findings.append(Finding(records, TWO_BIRTH_YEARS))
        elif len(records) > MOST_IN_GROUP:
            findings.append(Finding(records, TOO_MANY))
        else:
            groups.append(records)
    return groups, findings
