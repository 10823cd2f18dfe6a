"""Links between patients of two units: proposed, agreed on by two, parted, and guarded."""

import msgspec
import pytest
from msgspec.structs import asdict

from api.linkage.person_traits import Person
from api.storage.link_rows import LinkRow
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.link_patients import name_link, rebuild_links
from api.use_cases.list_links import list_links
from api.use_cases.people import let_go
from api.use_cases.settle_links import group_of
from sync.merge import shown_value
from tests.unit.api.network_hub import BAO, FEN, LOW, ODETE, ODETTE, TARN, list_groups


@pytest.fixture
def pair(hub):
    """Two records of one woman, proposed."""
    return hub.propose_pair()


def _listed(hub, state="proposed", by=""):
    return [one.link for one in list_links(hub.store, state, by=by).links]


def test_a_woman_of_two_units_is_proposed_with_reasons_and_nobody_is_joined(hub, pair):
    """[HAZ-41] [NL1] The planted bug it has caught: pairs of one unit were compared too."""
    hub.patient(TARN, "a2", ODETE)
    hub.patient(FEN, "b2", Person(id="", family_name="Okonkwo", born_on="1990-02-02"))
    hub.tend()

    found = list_links(hub.store, "proposed", by="")

    assert {one.link for one in found.links} == {
        pair,
        name_link("registry_patient/a2", "registry_patient/b1"),
    }
    shown = next(one for one in found.links if one.link == pair)
    assert [(one.trait, one.level) for one in shown.traits] == [
        ("names", "alike"),
        ("day of birth", "the same"),
        ("sex", "the same"),
    ]
    assert 900 <= shown.probability_per_mille < 1_000
    assert (shown.a.unit_name, shown.b.unit_name) == ("Tarn Hollow", "Marlow Fen")
    assert (shown.a.birth_year, shown.a.sex, shown.a.cases) == (1957, "", 0)
    assert [one.act for one in shown.history] == ["proposed"]
    assert list_groups(hub.store) == ([], [])
    assert shown_value(hub.state(pair).fields["units"]) == [FEN, TARN]


def test_a_row_without_its_record_keeps_nobody_from_the_other_links(hub, pair):
    """The planted bug it has caught: one link that was gone broke the whole work list."""
    gone = LinkRow(
        "network_link/gone", "registry_patient/a1", "registry_patient/x", "one_voice", 999
    )
    with hub.store.transaction():
        hub.store.links.keep_link(gone)

    assert _listed(hub) == [pair]


def test_the_same_national_number_is_rated_highest(hub):
    one = Person(id="", family_name="Vareth", born_on="1961-01-01", national="9434765919")
    other = Person(id="", family_name="Okonkwo", born_on="1961-01-01", national="9434765919")
    link = name_link(hub.patient(TARN, "a", one), hub.patient(FEN, "b", other))
    hub.tend()

    (shown,) = list_links(hub.store, "proposed", by="").links
    assert (shown.link, shown.probability_per_mille) == (link, 1_000)


def test_a_pair_below_the_threshold_is_nothing(hub):
    """[NL1] Who shares a day of birth and no name is not shown, and no record is written."""
    hub.patient(TARN, "a", ODETE)
    hub.patient(FEN, "b", Person(id="", family_name="Okonkwo", born_on="1957-08-03"))
    hub.tend()

    assert list_links(hub.store, "proposed", by="").open == 0
    with hub.store.transaction():
        assert hub.store.views.of_kind("network_link") == []


def test_two_different_people_agree_to_a_join(hub, pair):
    """[HAZ-42] [NL2] The planted bug it has caught: who agreed twice was counted twice."""
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")

    assert hub.decide(pair, "agree", first) == "one_voice"
    with pytest.raises(NotAllowedError, match="second person"):
        hub.decide(pair, "agree", first)
    assert list_groups(hub.store)[0] == []
    assert _listed(hub) == [pair]
    assert list_links(hub.store, "proposed", by=first).links[0].may_agree is False
    assert list_links(hub.store, "proposed", by=second).links[0].may_agree is True

    assert hub.decide(pair, "agree", second) == "joined"
    assert list_groups(hub.store) == ([("registry_patient/a1", "registry_patient/b1")], [])
    with hub.store.transaction():
        assert group_of(hub.store, "registry_patient/b1") == (
            "registry_patient/a1",
            "registry_patient/b1",
        )
        assert group_of(hub.store, "registry_patient/x") == ("registry_patient/x",)
    (shown,) = list_links(hub.store, "joined", by="").links
    assert [one.name for one in shown.agreed] == ["Ida Norrwood", "Juno Marrowby"]
    assert [one.act for one in shown.history] == ["proposed", "agreed", "joined"]
    assert _listed(hub) == []


@pytest.mark.parametrize("unit_first", [True, False])
def test_the_word_of_a_unit_is_one_of_the_two(hub, pair, unit_first):
    """[HAZ-42] [NL2] Both units together are one voice: somebody at the hub has agreed as well."""
    person = hub.person("Ida Norrwood")
    if unit_first:
        hub.answer(TARN, pair, "same")
        hub.answer(FEN, pair, "same")
        hub.tend()
        assert _listed(hub) == [pair]
        assert hub.decide(pair, "agree", person) == "joined"
    else:
        hub.decide(pair, "agree", person)
        hub.answer(FEN, pair, "same")
        hub.tend()

    assert shown_value(hub.state(pair).fields["state"]) == "joined"
    (shown,) = list_links(hub.store, "joined", by="").links
    assert {one.answer for one in shown.answers} == {"same"}


def test_a_unit_that_says_they_are_two_closes_it(hub, pair):
    """[HAZ-42] Also what was joined already; and nobody joins against that word."""
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    for one in people:
        hub.decide(pair, "agree", one)

    hub.answer(FEN, pair, "not-same")
    hub.tend()

    assert shown_value(hub.state(pair).fields["state"]) == "parted"
    assert list_groups(hub.store)[0] == []
    with pytest.raises(NotAllowedError, match="two people"):
        hub.decide(pair, "agree", people[0])
    (shown,) = list_links(hub.store, "parted", by="").links
    assert shown.history[-1].because == "unit-says-not-same"
    assert [(one.unit_name, one.answer) for one in shown.answers] == [("Marlow Fen", "not-same")]

    with pytest.raises(NotAllowedError, match="two people"):
        hub.decide(pair, "reopen", people[0], "new-facts")
    hub.answer(FEN, pair, "same")
    hub.tend()
    assert list_groups(hub.store)[0] == []
    assert hub.decide(pair, "reopen", people[1], "new-facts") == "one_voice"
    assert hub.decide(pair, "agree", people[0]) == "joined"


def test_the_answer_of_a_third_unit_counts_for_nothing(hub, pair):
    """[HAZ-42] Nor can a unit speak in the name of another: the log says who wrote."""
    hub.answer(LOW, pair, "same")
    hub.write(LOW, "registry_link_answer/x", unit=TARN, proposal=pair, answer="not-same")
    hub.tend()

    (shown,) = list_links(hub.store, "proposed", by="").links
    assert shown.answers == []
    assert hub.decide(pair, "agree", hub.person("Ida Norrwood")) == "one_voice"


def test_a_join_is_taken_back_with_a_reason_and_its_history_stays(hub, pair):
    """[HAZ-41] [NL3] Both records are as they were before; to join anew takes two people anew."""
    before = [hub.state(f"registry_patient/{name}") for name in ("a1", "b1")]
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    for one in people:
        hub.decide(pair, "agree", one)
    with pytest.raises(CalculationError, match="joined-in-error"):
        hub.decide(pair, "part", people[0], "because I think so")
    with pytest.raises(NotAllowedError, match="Part them instead"):
        hub.decide(pair, "set-aside", people[0], "cannot-tell")

    assert hub.decide(pair, "part", people[0], "joined-in-error") == "joined"
    assert hub.decide(pair, "part", people[1], "joined-in-error") == "apart"

    assert [hub.state(f"registry_patient/{name}") for name in ("a1", "b1")] == before
    assert list_groups(hub.store) == ([], [])
    (shown,) = list_links(hub.store, "parted", by="").links
    acts = ["proposed", "agreed", "joined", "part-asked", "parted"]
    assert [one.act for one in shown.history] == acts
    assert hub.decide(pair, "reopen", people[0], "decided-in-error") == "proposed"
    assert hub.decide(pair, "agree", people[1]) == "one_voice"
    assert hub.decide(pair, "agree", people[0]) == "joined"


def test_set_aside_it_is_not_proposed_again(hub, pair):
    person = hub.person("Ida Norrwood")
    with pytest.raises(NotAllowedError, match="not joined"):
        hub.decide(pair, "part", person, "joined-in-error")
    hub.decide(pair, "set-aside", person, "different-people")

    hub.patient(TARN, "a1", ODETTE)
    hub.tend()

    assert _listed(hub) == []
    (shown,) = list_links(hub.store, "parted", by="").links
    assert (shown.history[-1].act, shown.history[-1].because) == ("set-aside", "different-people")


def test_on_one_identifier_alone_nobody_is_joined(hub):
    """[HAZ-42] A national number may be a stand-in, or typed from another card."""
    one = Person(id="", family_name="Vareth", born_on="1961-01-01", national="9434765919")
    other = Person(id="", family_name="Okonkwo", born_on="1975-05-05", national="9434765919")
    link = name_link(hub.patient(TARN, "a", one), hub.patient(FEN, "b", other))
    hub.tend()

    with pytest.raises(NotAllowedError, match="two identifiers"):
        hub.decide(link, "agree", hub.person("Ida Norrwood"))


def test_what_changes_at_a_unit_is_weighed_anew_until_somebody_has_spoken(hub, pair):
    """A score follows the traits; a record that was taken back is in no list."""
    hub.patient(FEN, "b1", Person(**{**asdict(ODETTE), "born_on": "1957-08-30"}))
    hub.tend()
    with hub.store.transaction():
        assert len(hub.store.views.of_kind("network_link")) == 1
    score = shown_value(hub.state(pair).fields["score"])
    assert ["day of birth", "the same year"] in [list(one) for one in score["traits"]]

    story = hub.units[FEN]
    said = tuple(one.reference for one in story.log if one.record == "registry_patient/b1")
    with hub.store.transaction():
        story.write("registry_patient/b1", retract=said)
    hub.tend()
    assert _listed(hub) == []


def test_rows_made_anew_from_the_log_are_the_same(hub, pair):
    """Caught, planted: the old keys of a patient stayed after a change."""
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    for one in people:
        hub.decide(pair, "agree", one)
    hub.patient(FEN, "b1", ODETE)
    hub.tend()
    before = _rows(hub)

    rebuild_links(hub.store, now_ms=hub.chance().now_ms)
    hub.tend()

    assert _rows(hub) == before


def _rows(hub):
    connection = hub.store.links._connection
    with hub.store.transaction():
        return [
            connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()  # noqa: S608
            for table in ("link_patient", "link_key", "link_unit", "patient_link")
        ]


def test_a_stranger_decides_nothing(hub, pair):
    with pytest.raises(NotAllowedError, match="no active member"):
        hub.decide(pair, "agree", "staff/nobody")
    with pytest.raises(NotAllowedError, match="no proposal"):
        hub.decide("network_link/x", "agree", hub.person("Ida Norrwood"))


def _told(hub):
    """Return what units read of the only proposal: how it stands, and who agreed."""
    with hub.store.transaction():
        (state,) = hub.store.views.of_kind("network_link")
    return tuple(shown_value(state.fields[name]) for name in ("state", "joined_by"))


def test_nobody_is_joined_on_traits_that_were_corrected_after_the_first_voice(hub, pair):
    """[HAZ-42] [NL2] Who agreed on the old traits agrees anew once they are alike again."""
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")
    hub.decide(pair, "agree", first)

    hub.patient(FEN, "b1", BAO)
    hub.tend()

    with pytest.raises(NotAllowedError, match="two identifiers"):
        hub.decide(pair, "agree", second)
    assert (_told(hub), list_groups(hub.store)) == (("proposed", []), ([], []))

    hub.patient(FEN, "b1", ODETTE)
    hub.tend()
    assert hub.decide(pair, "agree", second) == "one_voice"
    assert hub.decide(pair, "agree", first) == "joined"


def test_a_join_whose_traits_were_corrected_stands_no_longer_and_is_a_finding(hub, pair):
    """[HAZ-42] [NL2] Told until somebody acts on it, however unlikely the pair has become."""
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    for one in people:
        hub.decide(pair, "agree", one)

    hub.patient(FEN, "b1", BAO)
    hub.tend()

    found = list_links(hub.store, "proposed", by="")
    records = ("registry_patient/a1", "registry_patient/b1")
    assert [one.link for one in found.links] == [pair]
    assert (found.open, [(one.records, one.why) for one in found.findings]) == (
        1,
        [(records, "no-longer-alike")],
    )
    last = found.links[0].history[-1]
    assert (last.act, last.because) == ("reopened", "joined-on-other-traits")
    assert (_told(hub), list_groups(hub.store)[0]) == (("proposed", []), [])
    with hub.store.transaction():
        assert group_of(hub.store, records[0]) == (records[0],)
    before = _rows(hub)
    rebuild_links(hub.store, now_ms=hub.chance().now_ms)
    hub.tend()
    assert _rows(hub) == before

    assert hub.decide(pair, "set-aside", people[0], "different-people") == "apart"
    assert list_groups(hub.store) == ([], [])
    assert list_links(hub.store, "proposed", by="").open == 0


def test_what_was_parted_is_taken_up_again_on_the_traits_of_today(hub, pair):
    """[HAZ-42] A score of the day on which it was set aside tells nothing."""
    person = hub.person("Ida Norrwood")
    hub.decide(pair, "set-aside", person, "cannot-tell")
    hub.patient(FEN, "b1", BAO)
    hub.tend()
    hub.decide(pair, "reopen", person, "new-facts")

    with pytest.raises(NotAllowedError, match="two identifiers"):
        hub.decide(pair, "agree", person)


@pytest.mark.parametrize("agreed", [1, 2])
def test_a_unit_that_takes_the_traits_back_takes_its_patient_out_of_the_links(hub, pair, agreed):
    """[HAZ-42] [NL2] Nothing is joined on what a unit does not tell any longer."""
    people = [hub.person("Ida Norrwood"), hub.person("Juno Marrowby")]
    for one in people[:agreed]:
        hub.decide(pair, "agree", one)

    hub.write(FEN, "registry_patient/b1", traits=None)
    hub.tend()

    assert (_listed(hub), _listed(hub, "joined")) == ([], [])
    assert (_told(hub), list_groups(hub.store)) == (("proposed", []), ([], []))
    with pytest.raises(NotAllowedError, match="taken its patient back"):
        hub.decide(pair, "agree", people[1])

    hub.patient(FEN, "b1", ODETTE)
    hub.tend()
    assert _listed(hub) == [pair]
    assert hub.decide(pair, "agree", people[1]) == "one_voice"


def test_nobody_agrees_on_a_patient_who_was_struck(hub, pair):
    """[HAZ-42] [NL2]"""
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")
    hub.decide(pair, "agree", first)
    story = hub.units[FEN]
    said = tuple(one.reference for one in story.log if one.record == "registry_patient/b1")
    with hub.store.transaction():
        story.write("registry_patient/b1", retract=said)

    with pytest.raises(NotAllowedError, match="taken its patient back"):
        hub.decide(pair, "agree", second)
    hub.tend()
    assert _told(hub) == ("proposed", [])


def test_a_unit_that_takes_its_same_back_leaves_what_units_read_as_it_stands(hub, pair):
    """[HAZ-42] [NL2] The other voice stays; said again, the two are joined again."""
    person = hub.person("Ida Norrwood")
    hub.answer(TARN, pair, "same")
    hub.tend()
    assert hub.decide(pair, "agree", person) == "joined"

    hub.answer(TARN, pair, "cannot-tell")
    hub.tend()

    assert _listed(hub) == [pair]
    assert (_told(hub), list_groups(hub.store)) == (("proposed", [person]), ([], []))
    (shown,) = list_links(hub.store, "proposed", by="").links
    assert (shown.history[-1].act, shown.history[-1].because) == (
        "reopened",
        "unit-says-same-no-longer",
    )

    hub.answer(TARN, pair, "same")
    hub.tend()
    assert _told(hub) == ("joined", [person])


def test_two_national_numbers_join_only_where_both_units_say_it_is_one_person(hub):
    """[HAZ-42] [NL2] Twins: one day of birth, names alike, and two numbers."""
    twins = [
        msgspec.structs.replace(ODETE, given_name=given, national=number)
        for given, number in (("Anna Maria", "9434765919"), ("Anna Marie", "4010232137"))
    ]
    link = name_link(hub.patient(TARN, "a", twins[0]), hub.patient(FEN, "b", twins[1]))
    hub.tend()
    person = hub.person("Ida Norrwood")
    for unit in (None, TARN):
        if unit:
            hub.answer(unit, link, "same")
            hub.tend()
        with pytest.raises(NotAllowedError, match="national numbers are different"):
            hub.decide(link, "agree", person)

    hub.answer(FEN, link, "same")
    hub.tend()
    assert hub.decide(link, "agree", person) == "joined"

    hub.answer(FEN, link, "cannot-tell")
    hub.tend()
    assert (_told(hub), list_groups(hub.store)[0]) == (("proposed", []), [])


def test_who_agreed_and_has_left_since_counts_as_before(hub, pair):
    """[NL2] To leave takes back nothing that somebody said while at work."""
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")
    hub.decide(pair, "agree", first)
    let_go(hub.store, first, by=second, chance=hub.chance())

    assert hub.decide(pair, "agree", second) == "joined"
    with pytest.raises(NotAllowedError, match="no active member"):
        hub.decide(pair, "part", first, "joined-in-error")


def test_what_was_parted_is_joined_by_nobody_on_the_word_of_a_unit_of_before(hub, pair):
    """[HAZ-41] [HAZ-42] [NL2] [NL3] One person alone joined them again: it was red before.

    Planted and caught, each: every `same` counted; a `same` by its stamp alone, of a unit whose
    clock runs hours ahead.
    """
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")
    hub.units[FEN].now_ms += 36_000_000
    hub.answer(FEN, pair, "same")
    hub.tend()
    assert hub.decide(pair, "agree", first) == "joined"
    assert hub.decide(pair, "part", second, "patient-objects") == "joined"
    assert hub.decide(pair, "part", first, "patient-objects") == "apart"
    hub.decide(pair, "reopen", first, "new-facts")

    assert hub.decide(pair, "agree", first) == "one_voice"

    (shown,) = list_links(hub.store, "proposed", by="").links
    assert (shown.answers, shown.may_agree) == ([], True)
    assert (_told(hub), list_groups(hub.store)) == (("proposed", [first]), ([], []))
    hub.answer(FEN, pair, "same")
    hub.tend()
    assert _told(hub) == ("joined", [first])
    (shown,) = list_links(hub.store, "joined", by="").links
    assert [one.answer for one in shown.answers] == ["same"]
    assert [one.act for one in shown.history].count("answered") == 2


def test_an_answer_of_before_that_arrives_late_is_one_of_before(hub, pair):
    """[HAZ-42] [NL2] Planted and caught: the place in the log alone was looked at."""
    first, second = hub.person("Ida Norrwood"), hub.person("Juno Marrowby")
    hub.decide(pair, "agree", first)
    hub.decide(pair, "set-aside", second, "different-people")
    hub.write(FEN, "registry_link_answer/late", unit=FEN, proposal=pair, answer="same")
    hub.tend()
    hub.decide(pair, "reopen", first, "new-facts")

    assert hub.decide(pair, "agree", first) == "one_voice"


def test_a_unit_is_asked_anew_where_what_it_answered_on_was_corrected(hub, pair):
    """[HAZ-42] [NL2] Also where nobody of the hub had spoken yet.

    It was red before. Planted and caught: a correction that leaves one identifier asked nobody.
    """
    hub.answer(TARN, pair, "same")
    hub.tend()
    hub.patient(FEN, "b1", BAO)
    hub.tend()
    hub.patient(FEN, "b1", ODETTE)
    hub.tend()
    first = hub.person("Ida Norrwood")

    assert hub.decide(pair, "agree", first) == "one_voice"
    hub.answer(TARN, pair, "same")
    hub.tend()
    assert _told(hub) == ("joined", [first])


def test_a_unit_is_asked_anew_where_a_patient_was_taken_back_and_told_again(hub, pair):
    """[HAZ-42] [NL2] Planted and caught: the word of a unit alone outlived it."""
    hub.answer(TARN, pair, "same")
    hub.tend()
    hub.write(FEN, "registry_patient/b1", traits=None)
    hub.tend()
    hub.patient(FEN, "b1", ODETTE)
    hub.tend()

    assert hub.decide(pair, "agree", hub.person("Ida Norrwood")) == "one_voice"


@pytest.mark.parametrize("is_struck", [False, True])
def test_a_correction_that_leaves_them_alike_asks_nobody_anew(hub, pair, is_struck):
    """[NL2] A `not-same` stands whatever began anew."""
    hub.answer(TARN, pair, "not-same" if is_struck else "same")
    hub.tend()
    hub.patient(FEN, "b1", Person(**{**asdict(ODETTE), "given_name": "Odete"}))
    hub.tend()
    first = hub.person("Ida Norrwood")

    if not is_struck:
        assert hub.decide(pair, "agree", first) == "joined"
        return
    with pytest.raises(NotAllowedError, match="two people"):
        hub.decide(pair, "agree", first)
