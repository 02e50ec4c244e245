"""The event loop of a process that answers: its connections come from the front, see `front.py`."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

BEAT_SECONDS = 1.0
"""So often the loop of a process tells the front that it goes round."""

AT_ONCE = 16
"""Connections taken in one round of the loop, so that another process has its share."""


class TakingLoop(asyncio.SelectorEventLoop):
    """An event loop that takes accepted connections from a channel."""

    async def create_server(self, protocol_factory: Any, *args: Any, **how: Any) -> Any:
        """As every loop does; given a channel instead of a listening socket, take from it."""
        channel = how.get("sock")
        if channel is None or channel.type != socket.SOCK_SEQPACKET:
            return await super().create_server(protocol_factory, *args, **how)
        return Taking(self, channel, protocol_factory)


class Taking:
    """What stands in for a server: takes connections until it is closed."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        channel: socket.socket,
        protocol_factory: Callable[[], asyncio.Protocol],
    ) -> None:
        """Begin to take from a channel that other processes may take from as well."""
        self._loop, self._channel, self._made = loop, channel, protocol_factory
        self._begun = set[asyncio.Task[Any]]()
        channel.setblocking(False)
        loop.add_reader(channel.fileno(), self._take)
        self._beating = loop.call_soon(self._beat)

    def _take(self) -> None:
        for _ in range(AT_ONCE):
            try:
                told, handles, _, _ = socket.recv_fds(self._channel, 16, 1)
            except (BlockingIOError, InterruptedError):
                return
            except OSError:
                told, handles = b"", []
            if not told:  # the front is gone
                self._loop.remove_reader(self._channel.fileno())
                return
            for handle in handles:
                self._begin(socket.socket(fileno=handle))

    def _begin(self, line: socket.socket) -> None:
        line.setblocking(False)
        task = self._loop.create_task(self._connect(line))
        self._begun.add(task)
        task.add_done_callback(self._begun.discard)

    async def _connect(self, line: socket.socket) -> None:
        try:
            await self._loop.connect_accepted_socket(self._made, line)
        except OSError:  # the client has gone meanwhile
            line.close()

    def _beat(self) -> None:
        with contextlib.suppress(OSError):
            self._channel.send(str(os.getpid()).encode())
        self._beating = self._loop.call_later(BEAT_SECONDS, self._beat)

    def close(self) -> None:
        """Take no more."""
        self._beating.cancel()
        self._loop.remove_reader(self._channel.fileno())

    async def wait_closed(self) -> None:
        """Return once everything that was taken has been begun."""
        await asyncio.gather(*self._begun, return_exceptions=True)
