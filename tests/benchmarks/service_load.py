"""The service under load, as ratios in one run; a process of its own serves, this one asks.

    python -m tests.benchmarks.service_load [SECONDS] [MACHINE]

Beside `POST /v1/advice?tests=10&suspects=10` stands the same application with an endpoint that
validates the same body and answers a constant of the same size. Then jobs: record and advise, 64
clients at once, and how long `/healthz` takes meanwhile.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.machine.load import load_machine

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
        text = process.stdout.readline()
        while text.startswith("{") and not text.endswith("}\n"):
            text += process.stdout.readline()
        yield json.loads(text)["port"] if text.startswith("{") else int(text)
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


async def kept(machine: Machine, seconds: float, workers: int, environment: dict[str, str]) -> None:
    """Record and advise by 64 clients, each with jobs of its own and one that four share."""
    shared, steps, lost, busy = [], 0, 0, 0
    words = ["-m", "diagnose", "serve", "--port", "0", "--json", "--workers", str(workers)]
    tests = [test for test in machine.tests.values() if test.unit is None and test.cause is None]
    with started(words, environment) as port:
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

        async def health(connection: Connection, _: random.Random) -> int:
            await asyncio.sleep(0.02)
            began = time.perf_counter()
            status = (await connection.ask("GET", "/healthz"))[0]
            alive.append(1000.0 * (time.perf_counter() - began))
            return status

        alive: list[float] = []
        figures, _ = await asyncio.gather(
            load(64, seconds, work, port), load(1, seconds, health, port)
        )
        for job, count in acknowledged.items():
            _, _, body = await one.ask("GET", job)
            lost += json.loads(body)["version"] != count
    p50, p99 = np.percentile(alive, [50, 99])
    say(f"64 clients, {workers} processes, read, write and advise: {figures.line(seconds)}")
    say(f"   {steps} steps kept, {busy} told that another was first")
    say(f"   {lost} jobs with other steps than were acknowledged")
    say(f"   /healthz meanwhile: p50 {p50:.1f} ms, p99 {p99:.1f} ms, {len(alive)} times")


def main() -> None:
    """Everything, one after the other."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    machine = load_machine(sys.argv[2] if len(sys.argv) > 2 else "standby_pump")
    for workers in (0, 1, 2):
        with tempfile.TemporaryDirectory() as folder:
            environment = {"NOSTART_STORE": f"sqlite:///{folder}/jobs.sqlite"}
            if workers:
                asyncio.run(kept(machine, seconds, workers, environment))
            else:
                asyncio.run(stateless(machine, seconds, environment))


if __name__ == "__main__":
    main()
