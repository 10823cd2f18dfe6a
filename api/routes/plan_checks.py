"""What the second check of plans found, over HTTP."""

from litestar import get

from api.routes.surroundings import BY_A_DEVICE, Around, AskingDevice
from api.use_cases.check_plans import PlanChecks, list_plan_checks


@get(
    "/api/plan-checks",
    tags=["record"],
    dependencies=BY_A_DEVICE,
    sync_to_thread=True,
    opt={"needs": "plan-checks.read"},
)
def get_plan_checks(device: AskingDevice, around: Around) -> PlanChecks:
    """List plans that differ or cannot be checked, in the streams the device may read."""
    around.reads.note(device, "plan-checks", at_ms=around.environment.now_ms())
    return list_plan_checks(around.store, device)
