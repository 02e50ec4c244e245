"""Work with a bound: own slots for cheap and dear requests, a deadline, an end when nobody waits.

An endpoint hands over what takes processor time. It waits for a slot of its kind, so that dear
requests never hold up cheap ones, runs on a thread, and stops between two of its rounds when its
time is over or the client has gone (`diagnose.stop`).
"""

from __future__ import annotations

import asyncio
import time
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import anyio.to_thread

from diagnose.errors import StoppedError
from diagnose.stop import stopped_when

from .refusals import BusyError, GoneError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from starlette.requests import Request

Result = TypeVar("Result")

GRACE_SECONDS = 2.0
"""So long after its time work may take to notice; then its request is answered without it."""


class Lane:
    """The slots of one kind of request."""

    def __init__(self, slots: int, waiting: int) -> None:
        """So many at work at once, and so many in wait for them."""
        self._free = asyncio.Semaphore(slots)
        self._room = slots + waiting
        self.inside = 0

    @asynccontextmanager
    async def slot(self, client: asyncio.Task[None], until: float) -> AsyncIterator[None]:
        """Held while a request is worked on.

        Raises:
            BusyError: too many wait already, or the time is over before its turn.
            GoneError: the client has gone meanwhile.
        """
        if self.inside >= self._room:
            raise BusyError("too many requests wait already", 5)
        self.inside += 1
        try:
            await self._take(client, until)
            try:
                yield
            finally:
                self._free.release()
        finally:
            self.inside -= 1

    async def _take(self, client: asyncio.Task[None], until: float) -> None:
        turn, taken = asyncio.ensure_future(self._free.acquire()), False
        left = max(until - time.monotonic(), 0.0)
        try:
            await asyncio.wait({turn, client}, timeout=left, return_when="FIRST_COMPLETED")
            taken = turn.done() and not client.done()
        finally:
            if not taken and turn.done():
                self._free.release()
            elif not taken:
                turn.cancel()
        if client.done():
            raise GoneError("the client has gone")
        if not taken:
            raise BusyError("no answer within the time that a request may take", 5)


class Slots:
    """All slots of the service."""

    def __init__(self, cheap: int, dear: int, waiting: int, deadline_seconds: float) -> None:
        """Slots of both kinds, and the seconds from a request to its answer at most."""
        self._lanes = {False: Lane(cheap, waiting), True: Lane(dear, waiting)}
        self._seconds = deadline_seconds
        self._left = set[asyncio.Future[Any]]()

    async def run(
        self, request: Request, work: Callable[[], Result], *, dear: bool = False
    ) -> Result:
        """What some work gives, on a thread.

        Args:
            request: who waits for it; its body has been read.
            work: it asks `diagnose.stop.go_on` now and then.
            dear: whether it may take long.

        Raises:
            BusyError, GoneError: it was not begun, or given up.
        """
        until = time.monotonic() + self._seconds
        client = asyncio.ensure_future(_gone(request))

        def over() -> bool:
            return client.done() or time.monotonic() > until

        def watched() -> Result:
            with stopped_when(over):
                return work()

        async def held() -> Result:
            async with self._lanes[dear].slot(client, until):
                return await anyio.to_thread.run_sync(watched)

        working = asyncio.ensure_future(held())
        try:
            await asyncio.wait({working}, timeout=until - time.monotonic() + GRACE_SECONDS)
            if not working.done():  # it waits for something that cannot be stopped
                self._left.add(working)
                working.add_done_callback(self._forget)
                raise BusyError("no answer within the time that a request may take", 30)
            return working.result()
        except asyncio.CancelledError:
            working.cancel()
            raise
        except StoppedError:
            if client.done():
                raise GoneError("the client has gone") from None
            raise BusyError("no answer within the time that a request may take", 30) from None
        finally:
            client.cancel()

    def _forget(self, work: asyncio.Future[Any]) -> None:
        """Nobody waits any more for what this gave; its slot is free from now on."""
        self._left.discard(work)
        if not work.cancelled():
            work.exception()


async def _gone(request: Request) -> None:
    """Ends when the client goes; nothing else is to come, since the body has been read."""
    while (await request.receive())["type"] != "http.disconnect":
        pass
