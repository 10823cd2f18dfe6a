"""Value cautions, first bleed, size class and the inputs of every answer: the shared vectors.

Each key of `expect` is a path into the answer; the form is told in tests/conformance/README.md.
"""

from collections.abc import Mapping

import pytest

from api.clinical_rules.calculate import CALCULATIONS
from api.clinical_rules.errors import ClinicalRuleError
from tests.unit.api.calculation_vectors import step_into
from tests.unit.api.inner_engines import INNER, Engine
from tests.unit.api.twin_engine import packaged_rule_book
from tests.unit.sync.vectors import cases

ENGINES: Mapping[str, Engine] = {**CALCULATIONS, **INNER}
FILES = [
    "value_cautions/answer_value_cautions.json",
    "varix_risk/answer_first_bleed.json",
    "varix_class/answer_varix_class.json",
    "inputs/name_inputs.json",
    "picture_length/answer_picture_length.json",
    "visit_course/take_visit_act.json",
    "visit_course/look_at_visit.json",
    "intended_use/answer_intended_use.json",
    "stock/count_stock.json",
    "stock/make_lay_out_list.json",
    "stock/count_packages.json",
    "lots/answer_implant_search.json",
]


@pytest.mark.parametrize("case", [case for path in FILES for case in cases(path)])
def test_the_engine_answers_to_its_vector(case):
    given, expect = case["given"], dict(case["expect"])
    engine, rule_book = ENGINES[given["kind"]], packaged_rule_book()
    if "refused" in expect:
        with pytest.raises(ClinicalRuleError) as refused:
            engine(given["request"], rule_book)
        assert str(refused.value) == expect["refused"]
        return
    answer = engine(given["request"], rule_book)
    if "cautions.ids" in expect:
        ids = {caution["id"] for caution in answer["cautions"]}
        assert ids >= set(expect.pop("cautions.ids"))
    assert {path: step_into(answer, path) for path in expect} == expect
