"""Health over HTTP: whether the server answers, and what it is."""

import msgspec
from litestar import get

from api.routes.heads_watch import HeadsStanding
from api.routes.surroundings import Around
from api.use_cases.server_role import Role, role_of


class Health(msgspec.Struct, frozen=True):
    """What a server is, its build, the mark of its store, and the version of the catalogue.

    ``waiting`` operations were supplied and wait for what lies before them (EX11); ``forks`` are
    logs that two devices wrote (LG5); ``damaged`` entries cannot be read as they were written: put
    back a backup (LG6); ``set_aside`` are entries that lie aside for a person, told at a unit under
    Decisions, at a hub under Units on its desk; ``refused_by_hub`` are own entries for the network
    that its hub has set aside: `crura hub status` says why; ``heads`` says whether the signed ends
    of the logs left for a place outside in the last day (`crura serve --heads-to`).
    """

    role: Role
    build: str
    generation: str
    catalogue: int
    waiting: int
    forks: int
    damaged: int
    set_aside: int
    refused_by_hub: int
    heads: HeadsStanding


@get("/api/health", tags=["server"], sync_to_thread=True, opt={"needs": "health.read"})
def get_health(around: Around) -> Health:
    """Say what this server is; it answers only when its store does."""
    with around.store.transaction():
        return Health(
            role_of(around.store),
            around.build,
            around.store.fact("generation") or "",
            around.store.catalogue.version,
            waiting=sum(around.store.waiting.gaps().values()),
            forks=len(around.store.marks.forks()),
            damaged=len(around.store.operations.damaged()),
            set_aside=around.store.operations.count_quarantined(),
            refused_by_hub=len(around.store.hub_line.refused()),
            heads=around.heads_watch.standing(),
        )
