"""What is on the shelf, over HTTP: counts alone, for every device of the unit."""

from typing import Any

from litestar import get
from litestar.di import Provide

from api.routes.surroundings import Around, AskingDevice, provide_device
from api.use_cases.count_shelf import count_shelf


@get(
    "/api/stock",
    tags=["stock"],
    dependencies={"device": Provide(provide_device, sync_to_thread=True)},
    sync_to_thread=True,
    opt={"needs": "stock.read"},
)
def get_stock(device: AskingDevice, around: Around) -> dict[str, Any]:
    """Count the shelf by everything the unit holds; names items and lots, and no patient."""
    return count_shelf(around.store, on=around.today())
