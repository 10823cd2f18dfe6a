"""Health over HTTP: whether the server answers, and what it is."""

import msgspec
from litestar import get

from api.routes.surroundings import Around


class Health(msgspec.Struct, frozen=True):
    """The build, the mark of this store, and the version of the record catalogue."""

    build: str
    generation: str
    catalogue: int


@get("/api/health", tags=["server"], sync_to_thread=True)
def get_health(around: Around) -> Health:
    """Say what this server is; it answers only when its store does."""
    with around.store.transaction():
        generation = around.store.fact("generation") or ""
    return Health(around.build, generation, around.store.catalogue.version)
