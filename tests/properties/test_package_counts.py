"""Counts of packages and coils, whatever two devices did apart and in whatever order it arrived."""

from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.package_counts import count_packages
from api.storage.unit_store import read_packaged_catalogue
from sync.merge import merge_record, shown_value
from tests.unit.api.standing_unit import Writer

CATALOGUE = read_packaged_catalogue()
TABLETS = ("tablet-a", "tablet-b")
FATES = ("discarded", "returned", "used")
# Device, act, package, coil.
ACTS = st.lists(
    st.tuples(
        st.integers(0, 1),
        st.sampled_from(["open", "place", "place", "end", "undo coil", "undo package"]),
        st.integers(0, 3),
        st.integers(0, 3),
        st.sampled_from(FATES),
    ),
    max_size=14,
)


class Ward:
    """What two tablets write apart: each knows its own entries alone, as without a network."""

    def __init__(self):
        self.writers = [Writer(name) for name in TABLETS]
        self.written = []
        self.placed = {}
        self.opened = set()

    def act(self, device, act, package, coil, fate):
        """Do one thing on one device; what it cannot do does nothing."""
        # A package or coil is of the device that opened or placed it: names never meet.
        pack, name = f"package_opened/{device}-{package}", f"coil_placed/{device}-{coil}"
        own = [one for one in self.written if one.device == TABLETS[device]]
        if act == "open" and pack not in self.opened:
            self._write(device, pack, item="coil", fate="open")
            self.opened.add(pack)
        elif act == "place" and name not in self.placed:
            self._write(device, name, package=pack)
            self.placed[name] = pack
        elif act == "end" and pack in self.opened:
            seen = tuple(one.reference for one in own if one.record == pack)
            self._write(device, pack, over={"fate": seen}, fate=fate)
        elif act == "undo coil" and name in self.placed:
            self._strike(device, name)
            del self.placed[name]
        elif act == "undo package" and pack in self.opened:
            self._strike(device, pack)
            self.opened.remove(pack)

    def _write(self, device, record, *, over=None, **fields):
        self.written.append(self.writers[device].write(record, set=fields, over=over or {}))

    def _strike(self, device, record):
        heads = tuple(
            one.reference
            for one in self.written
            if one.record == record and one.device == TABLETS[device]
        )
        self.written.append(self.writers[device].write(record, retract=heads))


def _count(operations):
    """Return the counts of coils that a screen shows after these operations."""
    records = dict.fromkeys(one.record for one in operations)
    states = [
        merge_record(
            record,
            [one for one in operations if one.record == record],
            CATALOGUE.policies_of(record.split("/")[0]),
        )
        for record in sorted(records)
    ]
    packages = [one for one in states if one.record.startswith("package_opened/")]
    coils = [one for one in states if one.record.startswith("coil_placed/")]
    answer = count_packages(
        {
            "packages": [
                {
                    "id": one.record,
                    "item": "coil",
                    "fate": shown_value(one.fields.get("fate")),
                    "struck": one.is_entered_in_error,
                }
                for one in packages
            ],
            "coils": [
                {
                    "id": one.record,
                    "package": shown_value(one.fields.get("package")),
                    "struck": one.is_entered_in_error,
                }
                for one in coils
            ],
        }
    )
    return answer["items"][0]


@settings(max_examples=300, deadline=None)
@given(acts=ACTS, chance=st.randoms())
def test_counts_never_lose_a_coil_under_merge(acts, chance):
    """[SK18] [SK19] [HAZ-30]: each coil that stands counts once, and nothing hides what is off.

    Caught, each planted in `package_counts.py` and taken out again: coils counted by the packages
    that they name; coils without a package left out of the difference; counts that agree by their
    sums alone, with two coils of one package and another package open.
    """
    ward = Ward()
    for act in acts:
        ward.act(*act)
    shuffled = chance.sample(ward.written, len(ward.written))

    count = _count(ward.written)

    assert count == _count(shuffled)
    assert count["placed"] == len(ward.placed)
    assert count["opened"] == len(ward.opened)
    ended = sum(count[end] for end in ("placed", "discarded", "used", "returned"))
    assert count["difference"] == count["opened"] - ended
    # Agreed means: each coil out of a package of its own, and as many packages as ends.
    if count["agrees"]:
        assert set(ward.placed.values()) <= ward.opened
        assert len(set(ward.placed.values())) == len(ward.placed)
        assert count["opened"] == ended
