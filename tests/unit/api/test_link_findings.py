"""Groups that links would make and that a guard keeps apart: all of them, and no other read."""

import random
from functools import partial

from msgspec.structs import asdict

from api.linkage.link_graph import Standing
from api.linkage.network_links import group_patients
from api.linkage.person_traits import Person
from api.storage.link_rows import LinkRow
from api.use_cases.link_patients import name_link
from api.use_cases.settle_links import group_of, list_findings
from tests.unit.api.network_hub import FEN, LOW, ODETE, TARN, list_groups

STANDINGS = ("joined", "parting", "apart", "proposed")


def test_a_chain_with_a_wrong_link_in_it_joins_nobody(hub):
    """[HAZ-42] [NL4] Two years of birth in one group are told as a finding; nobody is joined."""
    near = Person(
        id="", family_name="Marrowick", given_name="Odete", born_on="1958-08-03", national="N1"
    )
    numbered = Person(**{**asdict(ODETE), "national": "N1"})
    records = [hub.patient(TARN, "a", numbered), hub.patient(FEN, "b", near)]
    hub.tend()
    link = name_link(*records)
    for name in ("Ida Norrwood", "Juno Marrowby"):
        hub.decide(link, "agree", hub.person(name))

    groups, findings = list_groups(hub.store)

    assert groups == []
    assert [(one.records, one.why) for one in findings] == [(tuple(records), "two-birth-years")]
    with hub.store.transaction():
        assert group_of(hub.store, records[0]) == (records[0],)


def test_a_year_of_birth_corrected_after_the_join_is_a_finding_until_it_is_put_right(hub):
    """[HAZ-42] The planted bug it has caught: what was kept of a join kept its first years."""
    same = Person(**{**asdict(ODETE), "national": "N1"})
    other_year = Person(**{**asdict(ODETE), "national": "N1", "born_on": "1958-08-03"})
    records = [hub.patient(TARN, "a", same), hub.patient(FEN, "b", same)]
    hub.tend()
    for name in ("Ida Norrwood", "Juno Marrowby"):
        hub.decide(name_link(*records), "agree", hub.person(name))
    told = [list_groups(hub.store)]

    for person in (other_year, same):
        hub.patient(FEN, "b", person)
        hub.tend()
        told.append(list_groups(hub.store))

    joined = ([tuple(records)], [])
    assert (told[0], told[2]) == (joined, joined)
    assert [(one.records, one.why) for one in told[1][1]] == [(tuple(records), "two-birth-years")]


def test_findings_of_many_links_are_those_of_the_whole_graph(hub, monkeypatch):
    """[NL4] For chains, rings, groups too large, two years and pairs told apart, drawn at random.

    Caught: each look at the work list read every record that was ever joined, 0.3 s for 1,500.
    """
    chance = random.Random(8)
    years = {}
    for number in range(60):
        year = 1958 if chance.random() < 0.08 else 1957
        born_on = "" if number % 9 == 0 else f"{year}-08-03"
        person = Person(id="", family_name=f"Mar{number}", given_name="Lo", born_on=born_on)
        name = hub.patient((TARN, FEN, LOW)[number % 3], f"q{number}", person)
        years[name] = born_on[:4]
    names, kept_apart, pairs = sorted(years), set(), 0
    for _ in range(30):
        rows, read = {}, []
        for _ in range(chance.randint(5, 45)):
            # Now and then close to each other, so that chains close.
            near = chance.randrange(len(names) - 9)
            some = names[near : near + 9] if chance.random() < 0.4 else names
            one, other = sorted(chance.sample(some, 2))
            stands = chance.choice(("joined", "joined", "parting", "apart", "proposed"))
            differ = len({years[one], years[other]} - {""}) > 1
            link = name_link(one, other)
            rows[link] = LinkRow(link, one, other, stands, 900, years_differ=differ)
        with hub.store.transaction():
            # Most stand otherwise than before, or no longer; some are kept twice.
            for one in hub.store.links.links_standing(STANDINGS, limit=999):
                if one.link not in rows or chance.random() < 0.5:
                    hub.store.links.forget_link(one.link)
            for one in (*rows.values(), *chance.sample([*rows.values()], 3)):
                hub.store.links.keep_link(one)
        standings = [
            Standing(row.one, row.other, row.standing.replace("parting", "joined"), ())
            for row in rows.values()
            if row.standing != "proposed"
        ]
        with monkeypatch.context() as watched, hub.store.reading():
            states_of = hub.store.views.states_of
            watched.setattr(hub.store.views, "states_of", partial(_note, read, states_of))
            watched.setattr(hub.store.views, "state_of", None)
            found = list_findings(hub.store)
        groups, findings = group_patients(standings, years)

        assert sorted((one.records, one.why) for one in found) == sorted(
            (one.records, one.why) for one in findings
        )
        kept_apart |= {one.why for one in found}
        alone = [one for one in groups if len(one) == 2]
        pairs += len(alone)
        assert {*read}.isdisjoint(name for one in alone for name in one)
    assert kept_apart == {"told-apart", "two-birth-years", "too-many"}
    assert pairs > 20


def _note(read, states_of, names):
    read += names
    return states_of(names)
