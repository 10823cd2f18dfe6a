"""What the second check of plans found, over HTTP."""

from litestar import get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.check_plans import PlanChecks, list_plan_checks


@get(
    "/api/plan-checks",
    tags=["record"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
    opt={"needs": "plan-checks.read"},
)
def get_plan_checks(device: AskingDevice, around: Around) -> PlanChecks:
    """List plans that differ or cannot be checked, in the streams the device may read."""
    around.reads.note(device, "plan-checks", at_ms=around.environment.now_ms())
    return list_plan_checks(around.store, device)
