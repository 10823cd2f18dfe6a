"""Cases within and outside the stated use, with the days around a birthday."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.varix_class import CLASSES
from tests.fuzz.chance import TEXTS, Chance

_ADHESIVES = ("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate", "none", "other")
_OTHERS = ("oesophageal", "duodenal", "rectal", "other")
_DAYS = ("2026-02-28", "2026-03-01", "2026-03-16", "2028-02-29", "1900-01-01", "2199-12-31")


def prepare_draw(_rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request; dates lie near each other, so that ages fall around a limit."""

    def words(chance: Chance, listed: tuple[str, ...]) -> list[str]:
        drawn = [chance.choice(listed) for _ in range(chance.randint(0, 2))]
        return [chance.choice((word, chance.look_alike(word), *TEXTS[:2])) for word in drawn]

    def draw(chance: Chance) -> dict[str, Any]:
        on = chance.choice(_DAYS)
        born = [
            f"{max(1900, int(on[:4]) - chance.randint(17, 19))}{chance.choice(_DAYS)[4:]}"
            for _ in range(chance.randint(0, 2))
        ]
        return {
            "on": on,
            **chance.maybe("varix_class", words(chance, (*CLASSES, *_OTHERS)), 0.8),
            **chance.maybe("adhesive", words(chance, _ADHESIVES), 0.8),
            **chance.maybe("born_on", born, 0.8),
        }

    return draw
