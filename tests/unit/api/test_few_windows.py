"""[HAZ-49] [OC16] Windows of follow-up are counted one by one, and told of groups all the same."""

import pytest

from api.use_cases.outcome_cells import Cells, CellTable


@pytest.mark.parametrize(("cases", "told"), [(4, None), (5, Cells(30, 5, 0)), (6, Cells(30, 5, 0))])
def test_windows_of_fewer_than_five_cases_are_not_told(cases, told):
    """The bug it has caught: a total looked at its windows alone, and told those of one patient."""
    table = CellTable({"unit-tarn": cases}, hides=True)

    assert table.tell_total({"unit-tarn": Cells(30, 6, 0)}) == told


def test_a_unit_is_told_its_own_of_one_case():
    table = CellTable({"own": 1}, hides=False)

    assert table.tell_total({"own": Cells(2, 1, 0)}) == Cells(2, 1, 0)
