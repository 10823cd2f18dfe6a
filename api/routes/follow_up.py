"""How follow-up is kept, over HTTP: counts alone, for every device of the unit."""

from litestar import get
from litestar.params import FromQuery

from api.clinical_rules.clinic_weeks import ClinicWeeks
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.count_follow_up import FollowUpMeasures, count_clinic_weeks, count_follow_up


@get(
    "/api/follow-up-measures",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "clinic-counts.read"},
)
def get_follow_up_measures(
    device: DeviceOrCommand,
    around: Around,
    from_on: FromQuery[str | None] = None,
    until_on: FromQuery[str | None] = None,
) -> FollowUpMeasures:
    """Count the measures of a period, for the unit and each place."""
    environment = around.environment
    return count_follow_up(
        around.store,
        from_on=from_on,
        until_on=until_on,
        on=around.today(),
        time_zone=environment.time_zone,
    )


@get(
    "/api/clinic-weeks",
    tags=["clinic"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "clinic-counts.read"},
)
def get_clinic_weeks(
    device: DeviceOrCommand,
    around: Around,
    place: FromQuery[str | None] = None,
) -> ClinicWeeks:
    """Count what is due, late and seen week by week, beside the places in sessions."""
    environment = around.environment
    return count_clinic_weeks(
        around.store, place=place, on=around.today(), time_zone=environment.time_zone
    )
