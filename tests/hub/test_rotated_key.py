"""A unit of a network replaces its server's key, and joins its hub again under the new one."""

import pytest

from api.use_cases.replace_key import rotate_server_key
from api.use_cases.verify_log import verify_log
from tests.hub.test_forwarding import single


@pytest.mark.parametrize("has_unsent", [False, True])
def test_a_unit_with_another_key_joins_again_and_goes_on(hub, units, has_unsent):
    """[SEC-33] [RG10] What was written under the former key and not sent yet arrives as well.

    Planted bug: with the log for the network in its old epoch, `crura verify` told of heads that
    were signed by a key that was replaced.
    """
    unit = units[0]
    unit.join(hub)
    unit.tell(1)
    unit.exchange(hub)
    if has_unsent:
        unit.tell(2)
        unit._publish(unit.store)
    name = unit.device
    salts = iter(range(100))
    done = rotate_server_key(
        unit.store,
        unit.folder,
        new_epoch="epoch-after",
        draw_salt=lambda: f"{next(salts):032x}",
        now_ms=unit.environment.now_ms(),
    )
    assert done.is_in_network
    assert "not signed by the key of this device" in unit.exchange(hub).sentence

    unit.join(hub)
    unit.tell(3)
    standing = unit.exchange(hub)

    assert (unit.device, standing.standing, standing.unsent) == (name, "joined", 0)
    assert hub.shown("registry_patient") == single(unit)
    for process in (unit, hub):
        assert verify_log(process.store).findings == ()
