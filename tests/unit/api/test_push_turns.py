"""Turns of pushes at the store: one at a time, small ones first, nobody left behind."""

import asyncio

from api.routes.push_turns import PushTurns


async def _play(sizes: list[int], *, leaves: int | None = None) -> list[int]:
    """Let pushes arrive while the first holds its turn; return who was let in, in order."""
    turns, order, inside = PushTurns(), [], []
    release = asyncio.Event()

    async def push(number: int, size: int) -> None:
        async with turns.take(size):
            inside.append(number)
            assert inside == [number], "two at a time"
            if number == 0:
                await release.wait()
            await asyncio.sleep(0)
            order.append(number)
            inside.remove(number)

    tasks = []
    for number, size in enumerate(sizes):
        tasks.append(asyncio.create_task(push(number, size)))
        await asyncio.sleep(0)
    if leaves is not None:
        tasks[leaves].cancel()
    release.set()
    await asyncio.wait_for(asyncio.gather(*tasks, return_exceptions=True), 5)
    return order


def test_a_tap_passes_the_batches_that_wait():
    """Planted and caught: the operations left out of the place, first come first served."""
    assert asyncio.run(_play([400, 400, 400, 1])) == [0, 3, 1, 2]


def test_pushes_of_one_size_keep_their_order():
    assert asyncio.run(_play([1, 5, 5, 5])) == [0, 1, 2, 3]


def test_a_batch_is_passed_by_a_bounded_number_of_later_pushes():
    """Planted and caught: the arrival left out of the place, the smallest first for ever."""
    order = asyncio.run(_play([1, 40, *([1] * 30)]))
    assert order.index(1) == 10


def test_who_goes_away_while_waiting_leaves_the_turn_to_the_next():
    assert asyncio.run(_play([400, 400, 400], leaves=1)) == [0, 2]


def test_who_goes_away_in_the_moment_of_the_turn_passes_it_on():
    """Planted and caught: nothing passed on in `except`."""

    async def play() -> None:
        turns = PushTurns()
        first = turns.take(1)
        await first.__aenter__()
        second = asyncio.create_task(turns.take(1).__aenter__())
        await asyncio.sleep(0)
        await first.__aexit__(None, None, None)
        second.cancel()
        await asyncio.gather(second, return_exceptions=True)
        async with asyncio.timeout(5):
            async with turns.take(1):
                pass

    asyncio.run(play())
