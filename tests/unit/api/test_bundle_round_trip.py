"""Bundles between the unit's code and the tablet's: each reads what the other has saved."""

import json
import subprocess

from api.storage.bundle import read_bundle
from api.storage.unit_store import open_unit_store
from api.use_cases.export_bundle import export_bundle
from api.use_cases.import_bundle import import_bundle
from api.use_cases.load_scenario import load_scenario
from api.use_cases.verify_log import verify_log
from tests.unit.api.standing_unit import NOON_MS, Writer, texts
from tests.unit.api.test_bundle import STORY, _bundle
from tests.unit.api.twin_engine import PWA, node


def _carry(inward, outward, role):
    done = subprocess.run(
        [node(), "src/storage/carry-bundle.mjs", str(inward), str(outward), role],
        cwd=PWA,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_from_a_unit_over_a_tablet_to_another_unit_every_text_arrives(tmp_path):
    """[BU1] [BU2]: unit to tablet and tablet to unit, with letters of every width in the texts.

    The planted bug it has caught: lengths counted in letters on one side and in bytes on the
    other.
    """
    unit = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    other = open_unit_store(tmp_path / "other", new_generation="generation-2")
    load_scenario(unit, STORY.stem, STORY.read_bytes())
    odd = Writer("tablet-o").write(
        "patient/p-1", "booking", set={"phone_note": 'Ärzte "µ" \\ \u2028 漢字 \U0001f9ea \x01'}
    )
    import_bundle(unit, _bundle(odd), now_ms=NOON_MS)
    count = export_bundle(unit, tmp_path / "out.crura", now_ms=NOON_MS).operations

    taken = _carry(tmp_path / "out.crura", tmp_path / "back.crura", "bedside")
    imported = import_bundle(
        other, read_bundle(tmp_path / "back.crura"), now_ms=NOON_MS, is_of_unit=True
    )

    assert (taken["taken"], taken["setAside"], taken["madeBy"]) == (count, 0, "generation-1")
    assert (imported.new, imported.set_aside, imported.waiting) == (count + 1, (), 0)
    assert verify_log(other).findings == ()
    assert texts(odd)[0] in read_bundle(tmp_path / "back.crura").operations
    again = import_bundle(unit, read_bundle(tmp_path / "back.crura"), now_ms=NOON_MS)
    assert (again.new, again.known) == (1, count)
    with unit.transaction(), other.transaction():
        records = unit.operations.records()
        assert records == other.operations.records()
        assert "visit/v-of-tablet" in records
        for record in records:
            assert unit.views.state_of(record) == other.views.state_of(record)
    unit.close()
    other.close()


def test_a_desk_takes_nothing_clinical_from_the_unit_s_file(tmp_path):
    """[BU4]."""
    unit = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    import_bundle(unit, _bundle(*(Writer(f"tablet-{n}").write() for n in "abc")), now_ms=NOON_MS)
    export_bundle(unit, tmp_path / "out.crura", now_ms=NOON_MS)
    unit.close()

    taken = _carry(tmp_path / "out.crura", tmp_path / "back.crura", "booking")

    assert (taken["taken"], taken["left"]) == (0, 3)
    assert read_bundle(tmp_path / "back.crura").manifest.streams == ("booking",)
