"""What is on the shelf, over HTTP: counts alone, for every device of the unit."""

from typing import Any

from litestar import get
from litestar.params import FromQuery

from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.count_shelf import count_shelf


@get(
    "/api/stock",
    tags=["stock"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "stock.read"},
)
def get_stock(
    device: DeviceOrCommand, around: Around, on: FromQuery[str | None] = None
) -> dict[str, Any]:
    """Count the shelf by everything the unit holds; names items and lots, and no patient.

    `on` is the civil date by which lots expire, today where it is left out.
    """
    return count_shelf(around.store, on=around.today() if on is None else on)
