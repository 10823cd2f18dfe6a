"""Counts of packages and coils, whatever two devices did apart and in whatever order it arrived."""

from hypothesis import given, settings
from hypothesis import strategies as st

from api.clinical_rules.package_counts import count_packages
from api.storage.unit_store import read_packaged_catalogue
from sync.merge import merge_record, shown_value
from sync.operation import decode_body
from tests.unit.api.standing_unit import Writer

CATALOGUE = read_packaged_catalogue()
TABLETS = ("tablet-a", "tablet-b")
FATES = ("discarded", "returned", "used")
CASE = "case/c-1"


def _acts(most, *names):
    """Draw acts: device, act, which device opened the package, package, coil, fate."""
    one = st.tuples(
        st.integers(0, 1),
        st.sampled_from(names),
        st.integers(0, 1),
        st.integers(0, 1),
        st.integers(0, 1),
        st.sampled_from(FATES),
    )
    return st.lists(one, max_size=most)


MEET = (0, "meet", 0, 0, 0, FATES[0])
BEGUN = _acts(8, "open", "open", "place", "end")
CHANGED = _acts(8, "end", "end", "end", "move", "undo coil", "undo package", "open", "place")


class Ward:
    """Two tablets: each sees what it wrote and what both had when they last met."""

    def __init__(self):
        self.writers = [Writer(name) for name in TABLETS]
        self.written = []
        self.seen = [[], []]

    def act(self, device, act, owner, package, coil, fate):
        """Do one thing on one device; what it cannot do there does nothing."""
        # Names of what a device begins are its own; what it ends or strikes may be the other's.
        pack = f"package_opened/{owner}-{package}"
        own_pack, own_coil = f"package_opened/{device}-{package}", f"coil_placed/{device}-{coil}"
        other_coil = f"coil_placed/{owner}-{coil}"
        if act == "meet":
            self.seen = [list(self.written), list(self.written)]
        elif act == "open" and not self._has_begun(own_pack):
            self._write(device, own_pack, case=CASE, item="coil", fate="open")
        elif act == "place" and not self._has_begun(own_coil):
            self._write(device, own_coil, case=CASE, package=pack)
        elif act == "end" and self._stands(device, pack):
            self._over(device, pack, fate=fate)
        elif act == "move" and self._stands(device, other_coil):
            self._over(device, other_coil, package=pack)
        elif act == "undo coil" and self._stands(device, other_coil):
            self._strike(device, other_coil)
        elif act == "undo package" and self._stands(device, pack):
            self._strike(device, pack)

    def _has_begun(self, record):
        return any(one.record == record for one in self.written)

    def _stands(self, device, record):
        state = _state_of(record, self.seen[device])
        return shown_value(state.fields.get("case")) == CASE

    def _over(self, device, record, **fields):
        state = _state_of(record, self.seen[device])
        held = {name: state.fields[name].references for name in fields if name in state.fields}
        self._write(device, record, over=held, **fields)

    def _strike(self, device, record):
        heads = _state_of(record, self.seen[device]).heads
        self._keep(device, self.writers[device].write(record, retract=heads))

    def _write(self, device, record, *, over=None, **fields):
        operation = self.writers[device].write(record, set=fields, over=over or {})
        self._keep(device, operation)

    def _keep(self, device, operation):
        self.written.append(operation)
        self.seen[device].append(operation)


def _state_of(record, operations):
    return merge_record(
        record,
        [one for one in operations if one.record == record],
        CATALOGUE.policies_of(record.split("/")[0]),
    )


def _count(operations):
    """Return the counts of coils that a screen shows after these operations."""
    records = sorted({one.record for one in operations})
    states = [_state_of(record, operations) for record in records]
    # What lies in the case, as a screen asks for it.
    here = [one for one in states if shown_value(one.fields.get("case")) == CASE]
    answer = count_packages(
        {
            "packages": [
                {
                    "id": one.record,
                    "item": shown_value(one.fields["item"]),
                    "struck": one.is_entered_in_error,
                    **({"fate": fate} if (fate := shown_value(one.fields.get("fate"))) else {}),
                }
                for one in here
                if one.record.startswith("package_opened/")
            ],
            "coils": [
                {
                    "id": one.record,
                    "struck": one.is_entered_in_error,
                    **(
                        {"package": name}
                        if (name := shown_value(one.fields.get("package")))
                        else {}
                    ),
                }
                for one in here
                if one.record.startswith("coil_placed/")
            ],
        }
    )
    return answer["items"][0]


def _named(coil):
    name = shown_value(coil.fields.get("package"))
    return {"package": name} if name else {}


def _tell(operations):
    """Return what stands, worked out from the operations one by one and not by the merge.

    Packages and coils by record: of the first every fate that nobody replaced, of the second the
    package that was named last.
    """
    read = [(one, decode_body(one.body_text)) for one in operations]
    struck = {reference for _, body in read for reference in body.retract}
    standing = [(one, body) for one, body in read if one.reference not in struck]
    replaced = {ref for _, body in standing for seen in body.over.values() for ref in seen}
    packages = {one.record: set() for one, body in standing if "item" in body.set}
    coils = {
        one.record: set() for one, body in standing if "case" in body.set and "item" not in body.set
    }
    for one, body in standing:
        if one.reference in replaced:
            continue
        if "fate" in body.set and one.record in packages:
            packages[one.record].add(body.set["fate"])
        if "package" in body.set and one.record in coils:
            coils[one.record].add((one.stamp, body.set["package"]))
    # Of several packages of one coil all are kept and the latest is shown.
    return packages, {record: max(answers)[1] for record, answers in coils.items()}


def _only(answers):
    return next(iter(answers)) if len(answers) == 1 else None


@settings(max_examples=300, deadline=None)
@given(begun=BEGUN, apart=CHANGED, later=CHANGED, chance=st.randoms())
def test_counts_never_lose_a_coil_under_merge(begun, apart, later, chance):
    """[SK18] [SK19] [HAZ-30]: each coil that stands counts once, and nothing hides what is off.

    Both tablets end, strike and move the same packages and coils between two meetings.

    Caught, each planted and taken out again. In `package_counts.py`: coils counted by the packages
    that they name; coils without a package left out of the difference; counts that agree by their
    sums alone, with two coils of one package and another package open. In `merge.py`: of two fates
    that both tablets gave one package the later shown, so that the counts agree; an answer replaced
    that its writer had not seen; what was struck on one tablet standing for the other.
    """
    ward = Ward()
    for act in (*begun, MEET, *apart, MEET, *later):
        ward.act(*act)
    shuffled = chance.sample(ward.written, len(ward.written))

    count = _count(ward.written)
    packages, coils = _tell(ward.written)
    fates = [_only(answers) for answers in packages.values()]
    named = list(coils.values())

    assert count == _count(shuffled)
    assert count["placed"] == len(coils)
    assert count["opened"] == len(packages)
    assert {end: count[end] for end in FATES} == {end: fates.count(end) for end in FATES}
    ended = sum(count[end] for end in ("placed", "discarded", "used", "returned"))
    assert count["difference"] == count["opened"] - ended
    # A package of which two answers stand is open until somebody settles it, but for its coil.
    doubted = {one for one, answers in packages.items() if len(answers) > 1}
    assert doubted - set(named) <= set(count["open"])
    # Agreed means: each coil out of a package of its own, and as many packages as ends.
    if count["agrees"]:
        assert set(named) <= set(packages)
        assert len(set(named)) == len(named)
        assert count["opened"] == ended
