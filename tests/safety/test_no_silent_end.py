"""Follow-up has no silent end: while a course goes on, somebody owns a next act with a date."""

from tests.fuzz import follow_up
from tests.fuzz.chance import Chance
from tests.unit.api.twin_engine import answer_here, answer_there, packaged_rule_book, write_answer

BOOK = packaged_rule_book()
ENDS = {"died", "transferred", "declined"}
OWNERS = {"booking", "clinician"}


def test_every_course_that_has_not_ended_has_a_next_act_with_owner_and_day():
    """[HAZ-43] [HAZ-44] [FU10] [FU12] 3,000 random courses, no-shows and cancellations among them.

    Planted bugs that this caught, in both engines: a visit that nobody came to left out of what
    is open, and no visit planned once all others took place.
    """
    chance = Chance(43)
    draw = follow_up.prepare_draw(BOOK)
    asked = [draw(chance) for _ in range(3_000)]
    here = [answer_here("follow-up", one, BOOK) for one in asked]
    assert [write_answer(one) for one in here] == answer_there("follow-up", asked)

    goes_on = ended = no_shows = 0
    for request, told in zip(asked, here, strict=True):
        if "refused" in told:
            continue
        answer, happened = told["answer"], request.get("happened", [])
        if answer["ended"] is not None:
            ended += 1
            assert answer["ended"]["reason"] in ENDS
            assert any(one.get(answer["ended"]["reason"]) for one in happened)
            continue
        goes_on += 1
        no_shows += sum(one.get("outcome") == "no-show" for one in happened)
        assert answer["next"]["owner_role"] in OWNERS, request
        assert answer["next"]["on"] >= request["today_on"]
        still_open = [one for one in answer["visits"] if one["state"] not in ("attended", "ended")]
        assert still_open, request
        first = min(still_open, key=lambda one: (one["target_on"], one["visit"]))
        assert answer["next"]["visit"] == first["visit"], request
        for visit in still_open:
            assert visit["owner_role"] in OWNERS
            assert visit["earliest_on"] <= visit["target_on"] <= visit["latest_on"]
    assert goes_on > 1_500
    assert ended > 20
    assert no_shows > 500
