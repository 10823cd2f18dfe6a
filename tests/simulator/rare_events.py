"""What happens to a ward now and then: keys, thieves, files, new tablets, months that pass."""

from collections.abc import Callable

import msgspec

from api.storage.bundle import Bundle
from sync.clock import Stamp
from sync.operation import Body, make_operation
from sync.signing import BroughtHead
from tests.simulator.exchanging_tablet import KEY_IS_LOST
from tests.simulator.tablet import Tablet
from tests.simulator.tablet_disk import CrashError
from tests.simulator.tablet_store import drop_old_cases, take_in_file
from tests.simulator.unit import Request
from tests.simulator.ward import Ward
from tests.unit.api.signing_device import SigningDevice

MONTH_MS = 31 * 86_400_000
NEW_TABLETS = {"tablet-e": "bedside", "tablet-f": "booking"}


def forge_push(world: Ward) -> None:
    """Somebody sends an entry in a tablet's name, unsigned or signed with another key (SG3)."""
    tablet = world.pick()
    tip = world.unit.store.operations.tip_of(tablet.device, tablet.memory.epoch)
    operation = make_operation(
        device=tablet.device,
        epoch=tip.epoch,
        counter=tip.counter + 1,
        previous=tip.hash,
        stream="booking",
        record="patient/p-1",
        stamp=str(Stamp(world.unit.wall_ms, 0, tablet.device)),
        body=Body(
            salt="f" * 32, by="staff/x", tapped_by="staff/x", catalogue=1, set={"phone": "0"}
        ),
    )
    signature = world.chance.choice((None, SigningDevice("thief").sign_head(operation)))
    texts = [(operation.envelope_text, operation.body_text or "")]
    answer = world.unit.answer(Request("push", tablet.device, texts=texts, signature=signature))
    assert answer.refusal or answer.content.tip == tip, "a forged push moved the log on"
    world.say(f"somebody sent {operation.op_id} in the name of {tablet.device}")
    world.count("forged push")


def forge_offer(world: Ward) -> None:
    """After the unit was put back somebody with one tablet's key writes in another's name (SG11).

    With no head, one of a stranger's, or a true one that covers something else.
    """
    tablet, supplier = world.pick(), world.pick()
    if not world.was_unit_put_back or supplier.device in {tablet.device, *world.revoked}:
        return
    store = world.unit.store
    epoch = world.chance.choice([*tablet.memory.epochs])
    tip = store.operations.tip_of(tablet.device, epoch)
    # At the end of the log, in the place of its last entry, or a step beyond its end.
    counter = max(tip.counter + world.chance.choice((0, 1, 1, 1, 2)), 1)
    operation = make_operation(
        device=tablet.device,
        epoch=epoch,
        counter=counter,
        previous=tip.hash if counter == tip.counter + 1 else "f" * 64 if counter > 1 else "",
        stream="booking",
        record="patient/p-1",
        stamp=str(Stamp(world.unit.wall_ms, 0, tablet.device)),
        body=Body(
            salt=f"{len(world.forged):031x}f",
            by="staff/x",
            tapped_by="staff/x",
            catalogue=1,
            set={"phone": "forged"},
        ),
    )
    place = operation.device, epoch, counter, operation.hash
    key = world.chance.choice((SigningDevice("thief"), supplier.key))
    heads = world.chance.choice(
        ((), (BroughtHead(*place, key.sign_head(operation)),), tuple(supplier.memory.heads))
    )
    texts = [(operation.envelope_text, operation.body_text or "")]
    answer = world.unit.answer(Request("resupply", supplier.device, texts=texts, heads=heads))
    assert not answer.refusal, answer.refusal
    world.forged.add(texts[0])
    world.say(f"{supplier.device} brought {operation.op_id}, which it had made up")
    world.count("forged offer")


def lose_key(world: Ward) -> None:
    """A tablet finds its key gone: it goes on in a new epoch and waits to join again (SG6)."""
    tablet = world.pick()
    if tablet.device in world.doubled:
        return
    tablet.key = SigningDevice(tablet.device, 2)
    tablet.talk = None
    tablet.disk.crash_next = False
    tablet.settle_key()
    world.rekeyed.add(tablet.device)
    world.say(f"{tablet.label} lost its key")
    world.count("lost key")


def join_again(world: Ward) -> None:
    """A person joins a tablet again that lost its key."""
    tablet = world.pick()
    if tablet.memory.own_key != tablet.key.key_text and tablet.talk is None:
        world.rejoin(tablet, KEY_IS_LOST)


def revoke(world: Ward) -> None:
    """A tablet is reported as stolen: what comes from it later is kept aside (EX12).

    After the unit was put back a person waits until every tablet has exchanged: what only others
    still hold of a revoked device would be set aside where they show it.
    """
    if world.revoked or world.was_unit_put_back:
        return
    tablet = world.pick()
    world.unit.revoke(tablet.device)
    world.revoked[tablet.device] = set(world.unit.counted())
    world.say(f"{tablet.device} was revoked")
    world.count("revoked")


def save_to_file(world: Ward) -> None:
    """Somebody saves what a tablet or the unit holds to a file."""
    tablet = world.pick()
    if world.chance.random() < 0.4:
        world.files.append(world.unit.export())
        world.say("the unit saved a file")
    elif tablet.device not in world.revoked:
        world.files.append(tablet.save_to_file(is_all=world.chance.random() < 0.5))
        world.say(f"{tablet.label} saved a file")


def open_file(world: Ward) -> None:
    """A file that was saved some time ago is taken in somewhere; sometimes an entry is forged."""
    if not world.files:
        return
    bundle = world.chance.choice(world.files)
    tablet = world.pick()
    if world.chance.random() < 0.6:
        is_forged = world.chance.random() < 0.2 and bundle.operations
        world.unit.take_in(_forge(bundle) if is_forged else bundle)
        world.say(f"the unit took in a file of {bundle.manifest.made_by}")
        world.count("forged file" if is_forged else "file at the unit")
        return
    try:
        with tablet.disk.write() as memory:
            take_in_file(memory, bundle, tablet.device, tablet.streams, tablet.wall_ms)
    except CrashError:
        tablet.talk = None
    world.say(f"{tablet.label} took in a file of {bundle.manifest.made_by}")
    world.count("file at a tablet")


def _forge(bundle: Bundle) -> Bundle:
    *rest, (envelope, body) = bundle.operations
    forged = (envelope, body.replace('"catalogue":1', '"catalogue":9'))
    return msgspec.structs.replace(bundle, operations=(*rest, forged))


def admit_tablet(world: Ward) -> None:
    """A new tablet joins and starts from the unit's sealed segments (SN3)."""
    for device, role in NEW_TABLETS.items():
        if all(one.device != device for one in world.tablets):
            # A unit put back to before a tablet joined refuses it once others supplied its log.
            world.forget_backups()
            tablet = world.add_tablet(device, role)
            tablet.talk = tablet.begin()
            tablet.waits_for = next(tablet.talk)
            world.say(f"{device} joined")
            world.count("new tablet")
            return


def pass_month(world: Ward) -> None:
    """Everybody exchanges in peace, and then nothing is written for a month."""
    for tablet in world.tablets:
        tablet.open_case = ""
        world.run_round(tablet)
        drop_old_cases_of(world, tablet)
    for one in [*world.tablets, world.unit]:
        one.wall_ms += MONTH_MS
    world.forget_backups()
    for tablet in world.tablets:
        drop_old_cases_of(world, tablet)
    world.say("a month passed")


def drop_old_cases_of(world: Ward, tablet: Tablet) -> None:
    """After a round a tablet drops what is old and at the unit (SN5)."""
    clocks = tablet.wall_ms, world.unit.wall_ms
    policies = world.unit.store.catalogue.policies
    try:
        with tablet.disk.write() as memory:
            gone = drop_old_cases(memory, tablet.device, policies, clocks, {tablet.open_case})
    except CrashError:
        return
    if gone:
        # A unit put back to before a drop is another story (SN7), told in `dropping.test.ts`.
        world.forget_backups()
        world.say(f"{tablet.label} dropped {gone}")
        world.count("dropped case")


RARE_EVENTS: tuple[tuple[Callable[[Ward], None], float], ...] = (
    (forge_push, 1.5),
    (forge_offer, 4),
    (lose_key, 0.7),
    (join_again, 2),
    (revoke, 0.4),
    (save_to_file, 2),
    (open_file, 3),
    (admit_tablet, 1),
    (pass_month, 1),
)
