"""Work that is bounded: slots of its own for what is dear, a deadline, an end when nobody waits."""

from __future__ import annotations

import asyncio
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.shelf import Shelf
from diagnose.api.slots import BusyError, GoneError, Slots

from diagnose.errors import StoppedError
from diagnose.job import Job
from diagnose.stop import go_on, stopped_when

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


class Caller:
    """A request whose client stays until told to go."""

    def __init__(self) -> None:
        self.leaves = asyncio.Event()

    async def receive(self) -> dict[str, str]:
        await self.leaves.wait()
        return {"type": "http.disconnect"}


def long_work(begun: threading.Event | None = None) -> Callable[[], None]:
    """Work that goes on until it is stopped, or for twenty seconds."""

    def work() -> None:
        if begun is not None:
            begun.set()
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            go_on()
            time.sleep(0.005)

    return work


def run(slots: Slots, caller: Any, work: Callable[[], Any], *, dear: bool = False) -> Any:
    return slots.run(caller, work, dear=dear)


def test_dear_work_never_holds_up_cheap_work() -> None:
    async def both() -> str:
        slots = Slots(cheap=1, dear=1, waiting=50, deadline_seconds=15.0)
        callers = [Caller() for _ in range(20)]
        dear = [asyncio.ensure_future(run(slots, one, long_work(), dear=True)) for one in callers]
        await asyncio.sleep(0.05)
        answer: str = await asyncio.wait_for(run(slots, Caller(), lambda: "cheap"), 2.0)
        for one in callers:
            one.leaves.set()
        await asyncio.gather(*dear, return_exceptions=True)
        return answer

    assert asyncio.run(both()) == "cheap"


def test_work_stops_when_its_client_goes_and_its_slot_is_free_again() -> None:
    async def leave() -> float:
        slots = Slots(cheap=1, dear=1, waiting=5, deadline_seconds=15.0)
        caller, begun = Caller(), threading.Event()
        task = asyncio.ensure_future(run(slots, caller, long_work(begun)))
        await asyncio.to_thread(begun.wait, 5.0)
        left = time.monotonic()
        caller.leaves.set()
        with pytest.raises(GoneError):
            await task
        assert await run(slots, Caller(), lambda: 1) == 1
        return time.monotonic() - left

    assert asyncio.run(leave()) < 2.0


def test_work_is_not_begun_for_a_client_that_has_gone() -> None:
    async def leave() -> list[int]:
        slots = Slots(cheap=1, dear=1, waiting=5, deadline_seconds=15.0)
        first, second, done = Caller(), Caller(), list[int]()
        holding = asyncio.ensure_future(run(slots, first, long_work()))
        await asyncio.sleep(0.05)
        waiting = asyncio.ensure_future(run(slots, second, lambda: done.append(1)))
        await asyncio.sleep(0.05)
        second.leaves.set()
        with pytest.raises(GoneError):
            await waiting
        first.leaves.set()
        with pytest.raises(GoneError):
            await holding
        assert await run(slots, Caller(), lambda: 2) == 2
        return done

    assert asyncio.run(leave()) == []


def test_what_takes_too_long_is_given_up() -> None:
    async def wait() -> tuple[float, float]:
        slots = Slots(cheap=1, dear=1, waiting=5, deadline_seconds=0.2)
        began = time.monotonic()
        deaf = asyncio.ensure_future(run(slots, Caller(), lambda: time.sleep(0.6)))
        await asyncio.sleep(0.01)
        with pytest.raises(BusyError):
            await run(slots, Caller(), lambda: 1)  # its turn does not come in time
        waited = time.monotonic() - began
        await deaf
        with pytest.raises(BusyError) as told:
            await run(slots, Caller(), long_work())
        return waited, told.value.seconds

    waited, seconds = asyncio.run(wait())
    assert 0.2 <= waited < 0.6
    assert seconds > 0


def test_work_that_cannot_be_stopped_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Such as a kernel that is compiled; its slot stays taken until it ends."""
    monkeypatch.setattr("diagnose.api.slots.GRACE_SECONDS", 0.1)

    async def ask() -> float:
        slots, ends = Slots(cheap=1, dear=1, waiting=5, deadline_seconds=0.3), threading.Event()
        began = time.monotonic()
        with pytest.raises(BusyError) as told:
            await run(slots, Caller(), lambda: ends.wait(10.0), dear=True)
        assert told.value.seconds > 0
        waited = time.monotonic() - began
        with pytest.raises(BusyError):
            await run(slots, Caller(), lambda: "never begun", dear=True)
        ends.set()
        assert await run(slots, Caller(), lambda: "free again", dear=True) == "free again"
        return waited

    assert asyncio.run(ask()) < 3.0


def test_only_so_many_wait() -> None:
    async def crowd() -> int:
        slots = Slots(cheap=1, dear=1, waiting=3, deadline_seconds=10.0)
        callers = [Caller() for _ in range(12)]
        tasks = [asyncio.ensure_future(run(slots, one, long_work())) for one in callers]
        await asyncio.sleep(0.1)
        refused = [one for one in tasks if one.done()]
        for one in callers:
            one.leaves.set()
        told = await asyncio.gather(*tasks, return_exceptions=True)
        assert {type(each) for each in told} == {BusyError, GoneError}
        return len(refused)

    assert asyncio.run(crowd()) == 12 - 4


def test_many_that_come_and_go_leave_no_slot_taken() -> None:
    async def storm() -> int:
        slots = Slots(cheap=2, dear=1, waiting=500, deadline_seconds=0.3)
        callers = [Caller() for _ in range(200)]
        tasks = [
            asyncio.ensure_future(run(slots, one, lambda: time.sleep(0.002))) for one in callers
        ]
        for number, one in enumerate(callers):
            if number % 3 == 0:
                one.leaves.set()
            if number % 5 == 0:
                tasks[number].cancel()
            if number % 20 == 0:
                await asyncio.sleep(0.005)
        await asyncio.gather(*tasks, return_exceptions=True)
        both = [run(slots, Caller(), lambda: time.sleep(0.05) or 1) for _ in range(2)]
        return sum(await asyncio.wait_for(asyncio.gather(*both), 2.0))

    assert asyncio.run(storm()) == 2


def test_an_answer_can_be_stopped_and_worked_out_later(folder: Path) -> None:
    """Nothing that is shared is left half made."""
    job = Job.open("barn_cart", "silent", folder=folder)
    job = job.record("battery_rest", 12.61).record("see_nest", "found")
    with stopped_when(lambda: True), pytest.raises(StoppedError):
        job.advise()
    with stopped_when(lambda: True), pytest.raises(StoppedError):
        job.look_further(jobs=20)
    assert job.advise().verdict.action == "test"


def test_warming_up_can_be_stopped(folder: Path) -> None:
    shelf, stop = Shelf(folder), threading.Event()
    stop.set()
    shelf.warm(stop)
    assert not shelf.warmth.over
    shelf.warm(threading.Event())
    assert (shelf.warmth.over, shelf.warmth.ready) == (True, {"barn_cart"})
