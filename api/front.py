"""The front of the service: a process without an engine, which accepts and answers `/healthz`.

Threads that compute hold up every other thread of their process, by tens of milliseconds where
cores are short. So `/healthz` is answered here: by whether the event loops of the processes that
answer everything else go round. Their connections are handed to them as they were accepted, unread.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import secrets
import socket
import time
from typing import TYPE_CHECKING, Any

from .counts import WRITTEN_EVERY_SECONDS
from .outer import REQUEST_ID, SECURITY, safe_id
from .problems import MEDIA_TYPE, STUCK, respond

if TYPE_CHECKING:
    from collections.abc import Callable

    from .metrics import Metrics

HEALTH = "/healthz"
_ASKS = re.compile(rb"(GET|HEAD) /healthz(?:\?[^ \r\n]*)? HTTP/1\.1\r\n")
_BEGINS = (b"GET /healthz", b"HEAD /healthz")
_OTHER = re.compile(rb"\r\n(?:content-length|transfer-encoding|expect|upgrade):", re.IGNORECASE)
_CLOSES = re.compile(rb"\r\nconnection:[ \t]*close", re.IGNORECASE)
_ID = re.compile(rf"\r\n{REQUEST_ID}:[ \t]*([^\r\n]*?)[ \t]*\r\n".encode(), re.IGNORECASE)

MOST_HEAD = 8_192
FIRST_SECONDS = 5.0
"""A connection that says nothing for so long is handed on; whoever answers it has his own times."""

IDLE_SECONDS = 30.0
"""One on which only health was asked is closed after so long."""

STUCK_SECONDS = 20.0
"""A process whose loop has not gone round for so long answers nobody."""

STARTING_SECONDS = 120.0
MOST_UNREAD = 1_000
"""Connections that may say nothing yet at the same time; more are handed on at once."""


class Front:
    """Accepts connections and hands them on."""

    def __init__(
        self,
        listener: socket.socket,
        channel: socket.socket,
        stops: Callable[[], bool],
        log: Any,
        metrics: Metrics,
    ) -> None:
        """A front.

        Args:
            listener: where clients connect.
            channel: to the processes that answer; see `taking.py`.
            stops: whether no more is to be accepted.
            log: takes a line for each request that is answered here.
            metrics: counts them.
        """
        self._listener, self._channel, self._stops = listener, channel, stops
        self._log, self._metrics = log, metrics
        self._beaten = time.monotonic() + STARTING_SECONDS - STUCK_SECONDS
        self._lines = set[asyncio.Task[None]]()

    def run(self) -> None:
        """Accept until told to stop; on a thread of its own."""
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        for end in (self._listener, self._channel):
            end.setblocking(False)
        asyncio.get_running_loop().add_reader(self._channel.fileno(), self._hear)
        accepting = asyncio.ensure_future(self._accept())
        told = time.monotonic()
        while not (self._stops() or accepting.done()):
            await asyncio.sleep(0.1)
            if time.monotonic() > told + WRITTEN_EVERY_SECONDS:
                told = time.monotonic()
                self._metrics.tell()
        accepting.cancel()
        self._listener.close()
        if self._lines:
            await asyncio.wait(self._lines, timeout=1.0)
        with contextlib.suppress(asyncio.CancelledError):
            await accepting

    def _hear(self) -> None:
        with contextlib.suppress(OSError):
            while self._channel.recv(16):
                self._beaten = max(self._beaten, time.monotonic())

    @property
    def alive(self) -> bool:
        """Whether the loop of one of the processes has gone round lately, or they only begin."""
        return time.monotonic() - self._beaten < STUCK_SECONDS

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                line, _ = await loop.sock_accept(self._listener)
            except OSError:  # gone before it was accepted, or too many open
                await asyncio.sleep(0.05)
                continue
            line.setblocking(False)
            if len(self._lines) >= MOST_UNREAD:
                with line:
                    await self._hand_on(line)
                continue
            task = asyncio.ensure_future(self._listen(line))
            self._lines.add(task)
            task.add_done_callback(self._lines.discard)

    async def _listen(self, line: socket.socket) -> None:
        """Answer what asks for life; hand the line on once it asks anything else."""
        asked = False
        with line, contextlib.suppress(OSError, EOFError):
            while True:
                head = await _head(line, IDLE_SECONDS if asked else FIRST_SECONDS)
                if head is None and asked:
                    return
                if head is None or not asks_for_life(head):
                    break
                asked = True
                await self._answer(line, head)
                if _CLOSES.search(head):
                    return
            await self._hand_on(line)

    async def _answer(self, line: socket.socket, head: bytes) -> None:
        loop, began = asyncio.get_running_loop(), time.perf_counter()
        await loop.sock_recv(line, len(head))
        status, answer, known = told(head, alive=self.alive)
        await loop.sock_sendall(line, answer)
        seconds, method = time.perf_counter() - began, head.partition(b" ")[0].decode()
        self._metrics.answered(HEALTH, method, status, seconds)
        about = {"method": method, "route": HEALTH, "status": status}
        self._log.info("request", request_id=known, **about, ms=round(1000.0 * seconds, 1))

    async def _hand_on(self, line: socket.socket) -> None:
        """Give a line to whichever process takes it first."""
        while True:
            try:
                socket.send_fds(self._channel, [b"+"], [line.fileno()])
            except (BlockingIOError, InterruptedError):
                await asyncio.sleep(0.005)
            else:
                return


async def _head(line: socket.socket, seconds: float) -> bytes | None:
    """The head of a request, left unread; empty where it is another's, None where none came.

    Raises:
        EOFError: the client has gone.
    """
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0.0:
        try:
            data = line.recv(MOST_HEAD, socket.MSG_PEEK)
        except (BlockingIOError, InterruptedError):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(_readable(line), left)
            continue
        head, complete, _ = data.partition(b"\r\n\r\n")
        if complete:
            return head + complete
        if not data:
            raise EOFError
        if not any(data[:12].startswith(first[: len(data)]) for first in _BEGINS):
            return b""
        await asyncio.sleep(0.01)  # what was not read would wake this again at once
    return None


async def _readable(line: socket.socket) -> None:
    loop, came = asyncio.get_running_loop(), asyncio.Event()
    loop.add_reader(line.fileno(), came.set)
    try:
        await came.wait()
    finally:
        loop.remove_reader(line.fileno())


def asks_for_life(head: bytes) -> bool:
    """Whether a request is a plain one for `/healthz`; anything special is for the others."""
    return bool(_ASKS.match(head)) and not _OTHER.search(head)


def told(head: bytes, *, alive: bool) -> tuple[int, bytes, str]:
    """Status and answer to such a request, and its id."""
    given = _ID.search(head)
    known = safe_id(given[1].decode("latin-1")) if given else None
    known = known or secrets.token_hex(8)
    if alive:
        status, kind, body = 200, "application/json", json.dumps({"status": "ok"}).encode()
    else:
        status, kind = STUCK.status, MEDIA_TYPE
        body = bytes(respond(STUCK, "nobody has answered for some time").body)
    headers = {"content-type": kind, "content-length": str(len(body)), REQUEST_ID: known}
    lines = [f"{name}: {value}" for name, value in (headers | SECURITY).items()]
    words = "OK" if status == 200 else "Service Unavailable"
    text = "\r\n".join([f"HTTP/1.1 {status} {words}", *lines, "", ""]).encode()
    return status, text if head.startswith(b"HEAD") else text + body, known
