"""What runs beside the requests while a server is up: started with it, and closed with it."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

from litestar import Litestar

from api.routes.rounds import Rounds
from api.routes.surroundings import Surroundings

Lifespan = Callable[[Litestar], AbstractAsyncContextManager[None]]


def keep_watches(around: Surroundings) -> Lifespan:
    """Return the lifespan of an application over one store.

    A hub looks for links and follows nobody up; a unit follows up and talks to its hub. Where
    several processes have the store open, word of what another wrote reaches this one's lines.
    """
    rounds = _rounds_of(around)

    @asynccontextmanager
    async def lifespan(_: Litestar) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()

        def ring() -> None:
            loop.call_soon_threadsafe(around.bell.ring)

        # What the hub sent may be a notice for the tablets.
        around.hub_line.ring = ring
        hush = around.store.listen(ring)
        for one in rounds:
            await one.start()
        try:
            yield
        finally:
            for one in rounds:
                await one.close()
            await around.second_check.close()
            await asyncio.to_thread(around.refusals.close)
            await asyncio.to_thread(hush)

    return lifespan


def _rounds_of(around: Surroundings) -> list[Rounds]:
    heads = [] if around.heads_watch.outside is None else [around.heads_watch.rounds]
    if around.is_hub:
        return [around.link_watch.rounds, *heads]
    rounds = [around.file_watch.rounds, around.follow_up_watch.rounds, around.hub_line.rounds]
    return [*rounds, *heads]
