"""Merge and conflicts, by the shared vectors, in every order of arrival."""

import itertools

import pytest

from sync.conflict import list_conflicts
from sync.merge import merge_record, shown_value
from sync.merge_policies import FieldPolicy, MergePolicy
from tests.unit.sync.vectors import cases, named_operations

MAX_ORDERS = 24


def _policies(given):
    return {
        field: FieldPolicy(MergePolicy(policy["merge"]), tuple(policy.get("rank", ())))
        for field, policy in given.items()
    }


@pytest.mark.parametrize("case", [*cases("merge/merge_record.json"), *cases("merge/reissue.json")])
def test_a_set_of_operations_has_one_state(case):
    """[MG10] [MG11] [MG12] too.

    Caught, each planted in turn and taken out again: an `again` of another device was believed;
    re-issues were not compared with each other; what a retracted operation names was waited for;
    an operation with two unknown fields was counted twice.
    """
    given, expect = case["given"], case["expect"]
    operations = named_operations(given["operations"])
    names = {operation.reference: name for name, operation in operations.items()}
    policies = _policies(given["policies"])
    arrived = [operations[name] for name in given.get("held", operations)]

    for order in itertools.islice(itertools.permutations(arrived), MAX_ORDERS):
        state = merge_record("puncture/p-1", [*order, *order[::-1]], policies)

        assert list(state.fields) == sorted(expect["fields"])
        for field, wanted in expect["fields"].items():
            found = state.fields[field]
            assert found.is_conflict is wanted["is_conflict"]
            assert [held.value for held in found.values] == [
                one["value"] for one in wanted["values"]
            ]
            assert [[names[ref] for ref in held.references] for held in found.values] == [
                one["names"] for one in wanted["values"]
            ]
            for held, one in zip(found.values, wanted["values"], strict=True):
                last = operations[one["names"][-1]]
                assert held.stamp == last.stamp
                assert held.by == one.get("by", f"staff/{one['names'][-1][0]}")
        assert [names[ref] for ref in state.struck] == expect["struck"]
        assert sorted(names[ref] for ref in state.heads) == expect["heads"]
        assert list(state.heads) == sorted(state.heads)
        assert state.is_entered_in_error is expect["is_entered_in_error"]
        assert [names[ref] for ref in state.waiting] == expect.get("waiting", [])
        assert state.newer == expect.get("newer", state.newer)


@pytest.mark.parametrize("case", cases("merge/merge_record.json"))
def test_every_conflict_is_listed_with_each_value_and_chooses_none(case):
    """[CF1]"""
    given, expect = case["given"], case["expect"]
    operations = named_operations(given["operations"])
    state = merge_record("puncture/p-1", operations.values(), _policies(given["policies"]))

    listed = list_conflicts(state)

    wanted = {f: one for f, one in expect["fields"].items() if one["is_conflict"]}
    assert [conflict.field for conflict in listed] == sorted(wanted)
    for conflict in listed:
        assert list(conflict.values) == [one["value"] for one in wanted[conflict.field]["values"]]
        assert conflict.references == state.fields[conflict.field].references
        assert shown_value(state.fields[conflict.field]) is None
