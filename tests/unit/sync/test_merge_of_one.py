"""A record written once is merged by a shorter way; it must say what the long way says."""

from hypothesis import given
from hypothesis import strategies as st

from sync.merge import _state_of_many, merge_record
from sync.merge_policies import FieldPolicy, MergePolicy
from sync.operation import Body, decode_body, make_operation

_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)
_POLICIES = {
    "a": FieldPolicy(MergePolicy.ASK_A_PERSON),
    "b": FieldPolicy(MergePolicy.KEEP_ALL),
    "c": FieldPolicy(MergePolicy.LATEST),
    "d": FieldPolicy(MergePolicy.FURTHEST, ("x", "y")),
}
_SET = st.dictionaries(st.sampled_from("abcdz"), _VALUES, min_size=1)


@given(fields=_SET, repeats=st.integers(1, 3))
def test_the_short_way_says_what_the_long_way_says(fields, repeats):
    """[MG1] Planted and caught: fields left unsorted; ``newer`` left out."""
    operation = make_operation(
        device="tablet-a",
        epoch="ep01",
        counter=1,
        previous="",
        stream="care",
        record="puncture/p-1",
        stamp="000000000001000.00000.tablet-a",
        body=Body(salt="0" * 32, by="staff/a", tapped_by="staff/b", catalogue=1, set=fields),
    )
    read = {operation.reference: (operation, decode_body(operation.body_text or ""))}

    short = merge_record("puncture/p-1", [operation] * repeats, _POLICIES)
    long = _state_of_many("puncture/p-1", read, set(), _POLICIES)

    assert short == long
    assert list(short.fields) == list(long.fields)
