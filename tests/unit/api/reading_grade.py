"""How hard a text is to read, by published formulas for English, German and Spanish (UX-19)."""

import re
import unicodedata

_ENDS = re.compile(r"[.?!:](?:\s|$)")


def words_of(text):
    """Return the words of a text; digits and signs alone are none."""
    return list(re.findall(r"[^\W\d_]+(?:['-][^\W\d_]+)*", text))


def split_sentences(text):
    """Return the sentences of a text."""
    return [one for one in re.split(r"(?<=[.?!:])\s+", text) if words_of(one)]


def syllables_of(word, language):
    """Count groups of vowels; in English without a silent e at the end."""
    letters = "".join(
        sign
        for sign in unicodedata.normalize("NFD", word.lower())
        if not unicodedata.combining(sign)
    )
    if language == "en":
        letters = re.sub(r"([^laeiouy]es|[^td]ed|[^laeiouy]e)$", "", letters)
        letters = re.sub(r"^y", "", letters)
        return max(1, len(re.findall(r"[aeiouy]{1,2}", letters)))
    if language == "es":
        # Two strong vowels are two syllables, a weak one joins its neighbour.
        return max(1, len(re.findall(r"[iu]?[aeo][iuy]?|[iu]+|y$", letters)))
    return max(1, len(re.findall(r"aa|ee|oo|ie|ei|ai|au|eu|[aeiouy]", letters)))


def grade_of(sentences, language):
    """Return about the school year in which the sentences are read with ease.

    English: Flesch-Kincaid grade (Kincaid et al. 1975, Research Branch Report 8-75). German: first
    Vienna formula (Bamberger and Vanecek 1984). Spanish: Fernandez Huerta 1959, whose scale of 0 to
    100 is turned into years by the table that goes with it (90 year 4, 80 year 5, 70 year 6).
    """
    words = [word for sentence in sentences for word in words_of(sentence)]
    count, ends = len(words), sum(len(_ENDS.findall(one)) or 1 for one in sentences)
    syllables = [syllables_of(word, language) for word in words]
    if language == "en":
        return 0.39 * count / ends + 11.8 * sum(syllables) / count - 15.59
    if language == "de":
        hard = 100 * sum(number >= 3 for number in syllables) / count
        single = 100 * sum(number == 1 for number in syllables) / count
        long = 100 * sum(len(word) > 6 for word in words) / count
        return 0.1935 * hard + 0.1672 * count / ends + 0.1297 * long - 0.0327 * single - 0.875
    ease = 206.84 - 60 * sum(syllables) / count - 1.02 * count / ends
    return 6 - (ease - 70) / 10
