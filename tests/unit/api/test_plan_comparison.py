"""Two answers of sizing side by side: every difference is found, and said with its unit."""

import copy
import json
from pathlib import Path

import pytest

from api.use_cases.plan_comparison import compare_answers

STORY = Path(__file__).resolve().parents[3] / "seed_scenarios/07_n_butyl_with_oil.json"
NO_NUMBER = {"missing": ["long_axis_um"]}


BASIS = {"loop_band_um": {"basis": "published", "source": "a table"}}


def answer():
    timeline = json.loads(STORY.read_text())["timeline"]
    plan = next(one["set"]["plan"] for one in timeline if "plan" in one.get("set", {}))
    return {**plan["answer"], "basis": BASIS}


def words(tablet, server):
    return [one.words for one in compare_answers(tablet, server)]


def changed(change):
    """Return an answer and the same one changed in one place."""
    server = copy.deepcopy(answer())
    change(server)
    return answer(), server


def _places(part, path=()):
    """Yield the way to every value below a part of an answer, and to lists as a whole."""
    steps = part.items() if isinstance(part, dict) else enumerate(part)
    for step, value in steps:
        yield (*path, step)
        if isinstance(value, dict | list):
            yield from _places(value, (*path, step))


def _parent(root, place):
    for step in place[:-1]:
        root = root[step]
    return root


def _path(place):
    """The path of a place as RFC 9535 writes it in its normal form."""
    return "$" + "".join(f"[{step}]" if isinstance(step, int) else f"['{step}']" for step in place)


def _normal(path):
    """Bring `.name` to `['name']`, the way between by hand and by the program."""
    normal, rest = "$", path[1:]
    while rest:
        if rest[0] == ".":
            name = rest[1:].split(".", 1)[0].split("[", 1)[0]
            normal, rest = f"{normal}['{name}']", rest[1 + len(name) :]
        else:
            step, _, rest = rest.partition("]")
            normal += f"{step}]"
    return normal


PLACES = list(_places(answer()))
ODD = [0, 1, -1, True, False, None, "", "1", [], {}, "order"]


def test_equal_answers_do_not_differ_whatever_the_order_of_their_keys():
    turned = json.loads(json.dumps(answer(), sort_keys=True))

    assert compare_answers(answer(), turned) == ()


@pytest.mark.parametrize("place", PLACES, ids=_path)
def test_any_one_value_that_is_changed_is_found_and_nothing_else(place):
    """Each value of an answer in turn, on either side.

    The planted bugs it has caught: values compared with `==`, for which 1 is true; and the keys
    of the server's parts left out below the top.
    """
    for odd in ODD:
        other = copy.deepcopy(answer())
        parent = _parent(other, place)
        if json.dumps(parent[place[-1]]) == json.dumps(odd) or (place, odd) == (("basis",), {}):
            continue  # the same, or an older program that names no source yet
        parent[place[-1]] = odd
        for tablet, server in ((answer(), other), (other, answer())):
            found = [_normal(one.path) for one in compare_answers(tablet, server)]
            assert found, odd
            # At the place, in the list that holds it, or in what the odd value no longer has.
            ways = {_path(place[:length]) for length in range(1, len(place) + 1)}
            assert all(path in ways or path.startswith(_path(place)) for path in found), odd


@pytest.mark.parametrize("place", PLACES, ids=_path)
def test_any_one_value_that_is_missing_is_found_but_for_what_a_newer_program_adds(place):
    shorter = copy.deepcopy(answer())
    del _parent(shorter, place)[place[-1]]
    is_newer = len(place) == 1 or (place[0] == "basis" and len(place) == 2)

    assert compare_answers(answer(), shorter) != ()
    assert (compare_answers(shorter, answer()) == ()) == is_newer


def test_a_key_that_only_a_newer_server_has_counts_within_targets_needle_and_adhesive():
    def add(server):
        server["mode"] = "training"
        server["basis"]["later"] = {"basis": "published", "source": "x"}
        server["targets"][0]["later"] = 1
        server["needle"]["later"] = 2
        server["adhesive"]["later_ul"] = 3000

    assert [one.path for one in compare_answers(*changed(add))] == [
        "$.targets[0].later",
        "$.needle.later",
        "$.adhesive.later_ul",
    ]


def test_a_key_that_only_the_tablet_has_counts_at_the_top():
    assert words({**answer(), "mode": "live"}, answer()) == ["Mode: tablet live, server nothing"]


def test_every_number_is_said_with_its_unit():
    """[HAZ-03]."""

    def change(server):
        target = server["targets"][0]
        target["axis_um"] = 9500
        target["coils"]["to"] = 1
        target["coils"]["loop_band_um"] = [11400, 14250]
        target["packing_per_mille_from_to"] = [7, 15]
        target["needle_stop_um"] = 17000
        server["adhesive"]["aliquot_ms"] = 22500

    assert words(*changed(change)) == [
        "Varix A, axis: tablet 11 mm, server 9.5 mm",
        "Varix A, most coils: tablet 2, server 1",
        "Varix A, loop: tablet 13.2 to 16.5 mm, server 11.4 to 14.25 mm",
        "Varix A, packing: tablet 152 to 152 per mille, server 7 to 15 per mille",
        "Varix A, needle stop: tablet 18 mm, server 17 mm",
        "Adhesive, time of an aliquot: tablet 45 s, server 22.5 s",
    ]


def test_adhesive_pure_and_mix_are_named_each():
    """[HAZ-04]."""

    def change(server):
        server["adhesive"]["pure_ul"] = 800
        server["adhesive"]["mix_ul"] = 2080
        server["adhesive"]["flush_ul"] = 1

    assert words(*changed(change)) == [
        "Adhesive (pure): tablet 0.5 mL, server 0.8 mL",
        "Mix (adhesive + oil): tablet 1.3 mL, server 2.08 mL",
        "Adhesive, flush: tablet 1 mL, server 0.001 mL",
    ]


def test_a_number_that_one_side_does_not_have_is_told_with_why():
    def change(server):
        server["targets"][0]["volume_ul"] = NO_NUMBER
        server["targets"][0]["needle_stop_um"] = {"refusal": {"kind": "x", "text": "Too short."}}
        server["targets"][0]["coils"] = {"missing": ["origin"]}
        server["adhesive"] = None

    assert words(*changed(change)) == [
        "Varix A, coils: tablet fewest coils 2; most coils 2; loop 13.2 to 16.5 mm; "
        "coils picked 2 (coil-15-035, coil-15-035); reason in-band, "
        "server no number, lacks origin",
        "Varix A, varix, computed as an ellipsoid: tablet 1.14 mL, "
        "server no number, lacks long axis",
        "Varix A, needle stop: tablet 18 mm, server no number, Too short",
        "Adhesive: tablet flush with sterile-water, dextrose-5; Adhesive (pure) 0.5 mL; "
        "Mix (adhesive + oil) 1.3 mL; one aliquot of mix 1 mL; time of an aliquot 45 s; "
        "flush 1 mL; mix ou…, server none",
    ]


def test_two_reasons_for_no_number_differ_by_their_reason():
    """Not key by key: the whole reason of each side."""
    tablet, server = answer(), answer()
    tablet["targets"][0]["volume_ul"] = NO_NUMBER
    server["targets"][0]["volume_ul"] = {"refusal": {"kind": "x", "text": "Outside."}}

    assert words(tablet, server) == [
        "Varix A, varix, computed as an ellipsoid: tablet no number, lacks long axis, "
        "server no number, Outside"
    ]


def test_targets_and_cautions_are_matched_by_name():
    second = {**answer()["targets"][0], "label": "Varix B"}

    def add(server):
        server["targets"].insert(0, second)
        server["cautions"] = server["cautions"][1:]

    tablet, server = changed(add)
    found = compare_answers(tablet, server)

    assert [(one.path, one.what, one.tablet) for one in found[:1]] == [
        ("$.targets[0]", "Varix B", "nothing")
    ]
    assert [(one.path, one.what, one.server) for one in found[1:]] == [
        ("$.cautions[0]", "Caution licence", "nothing")
    ]


def test_another_order_of_cautions_is_said_as_such():
    tablet, server = changed(lambda server: server["cautions"].reverse())

    (found,) = compare_answers(tablet, server)

    assert (found.path, found.what) == ("$.cautions", "Cautions, order")
    assert found.tablet.startswith("licence, flush-medium")


def test_a_coil_that_passes_on_one_side_alone_is_named():
    coil = "stock_item/coil-6-018"

    def change(server):
        server["needle"]["passes"][coil] = None

    (found,) = compare_answers(*changed(change))

    assert found.path == f"$.needle.passes['{coil}']"
    assert found.words == "Needle, wires that pass, coil-6-018: tablet yes, server none"


def test_long_texts_are_cut_and_paths_are_escaped():
    tablet, server = answer(), answer()
    tablet["needle"]["it's"] = "x" * 10_000

    (found,) = compare_answers(tablet, server)

    assert found.path == "$.needle['it\\'s']"
    assert len(found.tablet) == 160
    assert found.tablet.endswith("…")
