"""What the papers of a case say: the shared vectors, both engines, and that no coil is lost.

Planted bugs that this caught: the mix printed as adhesive, an injection lost from the sum, the time
of day in UTC, a coil of an unknown lot merged with one without, the plan drawn beside coils that
were placed, coils of one lot counted once, a coil called MR safe, an injection without an amount
left out of what is told, a cancelled booking printed as the day, a step of another puncture taken
for the one that was left out, a flush without an amount in no sum.
"""

import json
import random

import msgspec
import pytest

from api.documents.paper import PAPER_KINDS
from api.documents.paper_words import packaged_paper_words
from api.use_cases.make_documents import choose_words_for
from tests.unit.api.paper_vectors import FOLDER, ON, shown_case, step_into, write, write_shown
from tests.unit.api.reading_grade import grade_of, split_sentences, words_of
from tests.unit.api.twin_engine import answer_there, write_answer
from tests.unit.sync.vectors import cases

LANGUAGES = sorted(packaged_paper_words())


@pytest.mark.parametrize("case", cases("documents/write_paper.json"))
def test_a_paper_says_what_its_vector_says(case):
    written = write(case["given"])
    expect = case["expect"]

    assert {path: step_into(json.loads(json.dumps(written)), path) for path in expect} == expect


STEPS = ("consent", "needle_flushed", "needle_patent", "second_look", "close_out", "choose", "")


def _odd_steps(chance):
    """Draw steps as no protocol leads: skipped twice, done after all, in rounds of no target."""
    for number in range(chance.randint(0, 9)):
        round_ = {
            "target": chance.choice(("Varix A", "Varix B", "", None, 3)),
            "puncture": chance.choice((1, 2, None, True, "1")),
            "coil": chance.choice((1, None)),
        }
        answers = chance.choice(
            ({"reason": "Emergency"}, {"reason": "{time}"}, {"flush_ul": 500}, {}, None, "x")
        )
        yield {
            "record": f"step_event/odd{number}",
            "shows": {
                "step": chance.choice(STEPS),
                "round": chance.choice((round_, round_, None)),
                "outcome": chance.choice(
                    ("skipped", "skipped", "done", "done", "not-seen", "not-seen")
                ),
                "answers": answers,
                "at": f"2026-03-10T09:0{number}:00+00:00",
            },
            "held": {},
            "conflicts": [],
            "by": "staff/w",
        }


def _odd_cases(count):
    """Draw cases with things left out, of the wrong type, in conflict, or hostile."""
    chance = random.Random(20260316)
    texts = ("", "#panic()", "{day}", '"\\', "قلب", "A\nB", "2026-02-31", "😀", "  x ")
    plain = shown_case("closed_case", {})
    for _ in range(count):
        held = json.loads(json.dumps(plain))
        held["records"] += _odd_steps(chance)
        for record in (held["itself"], held["patient"], *held["records"], *held["visits"]):
            for field in list(record["shows"]):
                draw = chance.random()
                if draw < 0.08:
                    del record["shows"][field]
                elif draw < 0.12:
                    del record["shows"][field]
                    record["conflicts"] = sorted([*record["conflicts"], field])
                elif draw < 0.16:
                    record["shows"][field] = chance.choice((None, 0, 7, True, [], {}, *texts))
        chance.shuffle(held["records"])
        if chance.random() < 0.2:
            held["outside"] = ["age_years"]
        held["is_changed"] = chance.random() < 0.5
        held["changed"] = [["case/c1", "varix_class"]] if chance.random() < 0.5 else []
        held["zone"] = chance.choice(("Europe/London", "America/St_Johns", "Asia/Kathmandu"))
        held["records"] = held["records"][: chance.randint(0, len(held["records"]))]
        if chance.random() < 0.2:
            held["patient"] = None
        yield {
            "paper": chance.choice(PAPER_KINDS),
            "language": chance.choice(("en", "de", "es", "fr")),
            "case": held,
        }


def test_both_engines_write_the_same_json():
    """Byte by byte, for 400 cases that no vector thought of."""
    requests = list(_odd_cases(400))
    there = answer_there("paper", requests, ON)

    for request, text in zip(requests, there, strict=True):
        here = {"answer": write_shown(request["paper"], request["language"], request["case"])}
        assert write_answer(here) == text, json.dumps(request)


def test_the_pure_share_is_rounded_once_for_all_injections_of_a_ratio():
    """[HAZ-04] Twice 101 microlitres of one part to one: 101, and not twice 51; in both engines."""
    held = shown_case("closed_case", {})
    (one,) = [part for part in held["records"] if part["record"] == "adhesive_injected/v1"]
    one["shows"]["amount"].update(parts_adhesive=1, parts_oil=1, mix_ul=101)
    held["records"].append({**one, "record": "adhesive_injected/v2"})
    written = write_shown("procedure-report", "en", held)
    request = {"paper": "procedure-report", "language": "en", "case": held}
    (there,) = answer_there("paper", [request], ON)

    for paper in (written, json.loads(there)["answer"]):
        rows = step_into(paper, "parts/Varix A/blocks/1/rows")
        assert step_into(rows, "Adhesive (pure)/2") == "0.101 mL"
        assert step_into(rows, "Mix (adhesive + oil)/2") == "0.202 mL"


@pytest.mark.parametrize("seed", range(20))
def test_no_coil_is_lost_on_the_card_or_in_the_report(seed):
    """[HAZ-46] Whatever the labels say, the counts on the cards add up to the coils placed.

    Planted: coils of one lot counted once.
    """
    chance = random.Random(seed)
    held = shown_case("closed_case", {})
    coil = next(one for one in held["records"] if one["record"] == "coil_placed/o2")
    placed = []
    for number in range(chance.randint(1, 9)):
        device = chance.choice(
            (
                None,
                {"lot_unknown": True},
                {"lot": "L-1"},
                {"lot": "L-1", "serial": f"S{number}"},
                {"lot": "L-1", "expires_on": "2027-01-01"},
                {"identifier": "02012345678903"},
            )
        )
        shows = {**coil["shows"], "slot": number + 1}
        shows.pop("device")
        placed.append(
            {
                **coil,
                "record": f"coil_placed/n{number}",
                "shows": {**shows, **({"device": device} if device else {})},
            }
        )
    held["records"] = [
        one for one in held["records"] if not one["record"].startswith("coil_placed/")
    ] + placed
    card = write_shown("implant-card", "en", held)
    report = write_shown("procedure-report", "en", held)
    letter = write_shown("referral-letter", "en", held)
    counted = [
        int(step_into(face["pairs"], "Device/1").rsplit(", ", 1)[1].split()[0])
        for face in card["faces"]
        if face["heading"] == "Your implant"
    ]
    rows = step_into(letter, "parts/What was implanted or injected/blocks/0/rows")
    acts = step_into(report, "parts/Varix A/blocks/2/rows")

    assert sum(counted) == len(placed)
    assert sum(int(row[4]) for row in rows if row[4].isdigit()) == len(placed)
    assert sum(row[1].startswith("Coil") for row in acts) == len(placed)


def _texts(words):
    for part in words.leaflet:
        yield from (part["heading"], *part["lines"], *part["points"])
    yield from words.texts["leaflet"].values()


def _filled(text):
    for name in ("day", "first", "last"):
        text = text.replace(f"{{{name}}}", "3 May 2026")
    return text.replace("{coils}", "2").replace("{phone}", "01")


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_leaflet_is_read_with_ease(language):
    """[UX-19] Grade 6 at most, at most 15 words a sentence."""
    words = packaged_paper_words()[language]
    spoken = [one for text in _texts(words) for one in split_sentences(_filled(text))]
    spoken = [one for one in spoken if len(words_of(one)) > 2]

    assert [one for one in spoken if len(words_of(one)) > 15] == []
    assert grade_of(spoken, language) <= 6
    assert len(spoken) > 20


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_leaflet_names_every_warning_sign(language):
    """Common practice, no source: ten signs in each language."""
    words = packaged_paper_words()[language]
    (signs,) = [part["points"] for part in words.leaflet if part["points"]]

    assert len(signs) == 10
    assert "38 °C" in " ".join(signs)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_says_the_same_with_the_same_put_in(language):
    english, words = packaged_paper_words()["en"], packaged_paper_words()[language]

    def places(content):
        return {
            f"{section}.{key}": sorted(part.split("}")[0] for part in text.split("{")[1:])
            for section, held in content.texts.items()
            for key, text in held.items()
        }

    assert places(words) == places(english)
    assert {field: set(held) for field, held in words.values.items()} == {
        field: set(held) for field, held in english.values.items()
    }
    assert [part["when"] for part in words.leaflet] == [part["when"] for part in english.leaflet]
    assert words.standing == ("source" if language == "en" else "draft")


def test_a_language_without_the_section_is_english_as_a_whole(monkeypatch):
    german = packaged_paper_words()["de"]
    texts = {name: held for name, held in german.texts.items() if name != "report"}
    words = {**packaged_paper_words(), "de": msgspec.structs.replace(german, texts=texts)}
    monkeypatch.setattr("api.documents.paper_words.packaged_paper_words", lambda: words)

    assert choose_words_for("procedure-report", "de").language == "en"
    assert choose_words_for("patient-leaflet", "de_AT").language == "de"


def test_the_vectors_lie_where_both_languages_read_them():
    assert sorted(one.name for one in FOLDER.iterdir()) == ["shown_cases", "write_paper.json"]
