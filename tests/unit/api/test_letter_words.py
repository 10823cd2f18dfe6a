"""What patients read: short sentences, plain words, dates as people say them, safe fields alone.

Planted bugs that this caught: a sentence of 16 words, "Notwithstanding contraindications" in a
letter, a merge field for a finding, a German week that began on Sunday.
"""

import re
from importlib import resources

import msgspec
import pytest

from api.documents.letter_words import (
    LETTER_KINDS,
    SAFE_FIELDS,
    LetterWordsError,
    choose_words,
    packaged_words,
    read_letter_words,
    sentences_of,
)
from tests.unit.api.reading_grade import grade_of, split_sentences, syllables_of, words_of

WORDS = packaged_words()
FILLED = {
    "given_name": "Ann",
    "family_name": "Lee",
    "day": "2",
    "time": "9",
    "place": "4",
    "unit_phone": "0",
    "unit_name": "X",
    "local_id": "1",
}
CLINICAL = re.compile(
    r"vari[xcz]|coil|adhesive|bleed|blut|sangr|liver|leber|hígad|portal|cirrh|zirrh|cirro|endosc|endosk|"
    r"ultrasound|ultraschall|ecograf|diagnos|cancer|krebs|magen|stomach|estómag",
    re.IGNORECASE,
)


def _spoken(words):
    return [
        sentence
        for paragraph in sentences_of(words)
        for sentence in split_sentences(paragraph.format(**FILLED))
        if len(words_of(sentence)) > 2
    ]


@pytest.mark.parametrize("language", sorted(WORDS))
def test_sentences_have_at_most_15_words(language):
    """[UX-19]"""
    long = [one for one in _spoken(WORDS[language]) if len(words_of(one)) > 15]

    assert long == []
    assert len(_spoken(WORDS[language])) > 30


@pytest.mark.parametrize("language", sorted(WORDS))
def test_letters_are_read_with_ease_after_six_years_at_school(language):
    """[UX-19] [FU-08] Each letter as a passage: a formula says little of one sentence."""
    words = WORDS[language]
    for kind, letter in {**words.letters, "recall": words.recall}.items():
        text = [one.format(**FILLED) for one in (*letter.before, *letter.after)]
        sentences = [one for paragraph in text for one in split_sentences(paragraph)]
        assert grade_of(sentences, language) <= 6, (kind, grade_of(sentences, language))
    needs = [one for paragraph in words.needs.values() for one in split_sentences(paragraph)]
    assert grade_of(needs, language) <= 6, grade_of(needs, language)
    assert grade_of(split_sentences(words.reminder.format(**FILLED)), language) <= 6


def test_no_paragraph_of_an_english_letter_hides_behind_the_others():
    """[UX-19] The passage of a whole letter may be plain and one sentence in it not."""
    words = WORDS["en"]
    for paragraph in sentences_of(words):
        sentences = split_sentences(paragraph.format(**FILLED))
        if sum(len(words_of(one)) for one in sentences) >= 6:
            assert grade_of(sentences, "en") <= 6, (paragraph, grade_of(sentences, "en"))


def test_the_grade_tells_plain_words_from_others():
    plain = ["The cat sat on the mat."]
    hard = ["Notwithstanding contraindications, obliteration necessitates consideration."]
    assert grade_of(plain, "en") < 3 < 16 < grade_of(hard, "en")
    assert grade_of(["Der Hund ist im Haus."], "de") < 3
    assert grade_of(["Ungeachtet der Gegenanzeigen erfolgt die Verödungsbehandlung."], "de") > 10
    assert grade_of(["El gato come pan."], "es") < 6
    assert grade_of(["Independientemente de contraindicaciones hemodinámicas."], "es") > 10
    assert [syllables_of(one, "es") for one in ("cita", "día", "tiene", "usted")] == [2, 1, 2, 2]


@pytest.mark.parametrize("language", sorted(WORDS))
def test_no_clinical_word_stands_in_any_sentence(language):
    """[HAZ-47] [FU-08]"""
    assert [one for one in sentences_of(WORDS[language]) if CLINICAL.search(one)] == []


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "Tuesday 3 March 2026"),
        ("de", "Dienstag, 3. März 2026"),
        ("es", "martes 3 de marzo de 2026"),
    ],
)
def test_a_date_is_said_in_full(language, said):
    """[UX-19]"""
    assert WORDS[language].say_date("2026-03-03") == said


@pytest.mark.parametrize("language", sorted(WORDS))
def test_every_language_has_the_same_letters_needs_and_fields(language):
    words, source = WORDS[language], WORDS["en"]
    assert words.needs.keys() == source.needs.keys()
    assert words.labels.keys() == source.labels.keys()
    assert (len(words.weekdays), len(words.months)) == (7, 12)
    for kind in LETTER_KINDS:
        one, other = words.letters[kind], source.letters[kind]
        fields = [
            set(re.findall(r"\{(\w+)\}", " ".join((*x.before, *x.after)))) for x in (one, other)
        ]
        assert fields[0] == fields[1], kind


def test_the_needs_are_those_of_the_catalogue(unit):
    """A need without a sentence would be left out of a letter in silence."""
    needs = next(
        field.values
        for field in unit.store.catalogue.kinds["patient"].fields
        if field.id == "needs"
    )
    assert set(needs) == set(WORDS["en"].needs)


def test_a_draft_says_so_in_the_data():
    """[FU-08] And names who reviewed it once somebody has."""
    assert {name: words.standing for name, words in WORDS.items()} == {
        "de": "draft",
        "en": "source",
        "es": "draft",
    }
    assert all(words.reviewed_by == () for words in WORDS.values() if words.standing == "draft")


@pytest.mark.parametrize("field", ["finding", "diagnosis", "phone", "born_on", "label", ""])
def test_a_field_that_is_not_on_the_safe_list_is_refused(field):
    """[FU-08]"""
    content = (resources.files("api.documents.words") / "en.json").read_text()
    spoiled = content.replace("{unit_phone}", f"{{{field}}}", 1)

    with pytest.raises(LetterWordsError, match="no letter may name"):
        read_letter_words(spoiled.encode())
    assert field not in SAFE_FIELDS


def test_a_file_without_one_of_the_letters_is_refused():
    content = msgspec.json.decode((resources.files("api.documents.words") / "en.json").read_bytes())
    del content["letters"]["missed"]
    with pytest.raises(LetterWordsError, match="lack a letter"):
        read_letter_words(msgspec.json.encode(content))


@pytest.mark.parametrize(
    ("asked", "language"),
    [
        (("de", "en"), "de"),
        (("de-AT", "en"), "de"),
        (("ES_mx", "en"), "es"),
        (("", "de"), "de"),
        (("pl", "de"), "de"),
        (("pl", "tr"), "en"),
        (("",), "en"),
    ],
)
def test_the_language_is_the_patients_then_the_units_then_english(asked, language):
    assert choose_words(*asked).language == language
