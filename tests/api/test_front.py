"""The front: who asks for life is answered there, everything else is handed on as it came."""

from __future__ import annotations

import contextlib
import io
import json
import socket
import threading
import time
from typing import TYPE_CHECKING

import pytest
from diagnose.api.front import Front, asks_for_life, told
from diagnose.api.logs import make_log
from diagnose.api.metrics import Metrics
from diagnose.api.outer import SECURITY

if TYPE_CHECKING:
    from collections.abc import Iterator

ALIVE = b"GET /healthz HTTP/1.1\r\nhost: barn\r\nx-request-id: probe-7\r\n\r\n"
OTHER = b"GET /healthy HTTP/1.1\r\nhost: barn\r\n\r\n"


class Running:
    """A front in this process, and the end of the channel where a process would take."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.far.settimeout(10.0)
        self.over, self.log, self.metrics = threading.Event(), io.StringIO(), Metrics()
        self.address = self.listener.getsockname()
        log = make_log(self.log)
        self.front = Front(self.listener, self.near, self.over.is_set, log, self.metrics)
        self.thread = threading.Thread(target=self.front.run, daemon=True)
        self.thread.start()

    def connect(self) -> socket.socket:
        return socket.create_connection(self.address, 10.0)

    def taken(self) -> socket.socket:
        """The connection that was handed on."""
        _, handles, _, _ = socket.recv_fds(self.far, 16, 1)
        return socket.socket(fileno=handles[0])


@pytest.fixture
def running() -> Iterator[Running]:
    made = Running()
    yield made
    made.over.set()
    made.thread.join(5.0)
    for end in (made.near, made.far, made.listener):
        end.close()


def answer(line: socket.socket) -> tuple[bytes, dict[str, str], bytes]:
    """Status line, headers and body of one answer."""
    file = line.makefile("rb")
    first, headers = file.readline().strip(), {}
    while text := file.readline().strip().decode():
        name, _, value = text.partition(": ")
        headers[name] = value
    return first, headers, file.read(int(headers["content-length"]))


def test_who_asks_for_life_is_answered_as_the_service_would(running: Running) -> None:
    with running.connect() as line:
        for _ in range(2):  # on a connection that is kept
            line.sendall(ALIVE)
            first, headers, body = answer(line)
            assert (first, json.loads(body)) == (b"HTTP/1.1 200 OK", {"status": "ok"})
            assert headers["x-request-id"] == "probe-7"
            assert SECURITY.items() <= headers.items()
        line.sendall(
            ALIVE.replace(b"GET", b"HEAD").replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n")
        )
        text = b"".join(iter(lambda: line.recv(4096), b""))
        assert text.startswith(b"HTTP/1.1 200")
        assert text.endswith(b"\r\n\r\n")
    lines = [json.loads(text) for text in running.log.getvalue().splitlines()]
    assert [(one["route"], one["method"]) for one in lines] == [
        *(("/healthz", "GET"), ("/healthz", "GET"), ("/healthz", "HEAD"))
    ]
    text = running.metrics.text({}).decode()
    assert 'nostart_requests_total{method="GET",route="/healthz",status="200"} 2.0' in text


@pytest.mark.parametrize("before", [b"", ALIVE])
def test_anything_else_is_handed_on_unread(running: Running, before: bytes) -> None:
    with running.connect() as line:
        if before:
            line.sendall(before)
            assert answer(line)[0].endswith(b"OK")
        line.sendall(OTHER)
        with running.taken() as handed:
            assert handed.recv(4096) == OTHER
            handed.sendall(b"from elsewhere")
        assert line.recv(4096) == b"from elsewhere"
        assert line.recv(4096) == b""  # nobody else holds it


def test_a_head_that_comes_in_pieces(running: Running) -> None:
    with running.connect() as line:
        for number in range(0, len(ALIVE), 9):
            line.sendall(ALIVE[number : number + 9])
            time.sleep(0.005)
        assert answer(line)[0].endswith(b"OK")
    with running.connect() as line:
        for piece in (b"GET /hea", b"l HTTP/1.1\r\n\r\n"):
            line.sendall(piece)
            time.sleep(0.02)
        with running.taken() as handed:
            assert handed.recv(4096) == b"GET /heal HTTP/1.1\r\n\r\n"


def test_who_says_nothing_is_handed_on_after_a_while(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever answers has times of his own for that; others are answered meanwhile."""
    monkeypatch.setattr("diagnose.api.front.FIRST_SECONDS", 0.3)
    with running.connect(), running.connect() as line:
        line.sendall(ALIVE)
        assert answer(line)[0].endswith(b"OK")
        running.taken().close()


def test_a_client_that_goes_at_once_harms_nobody(running: Running) -> None:
    for _ in range(20):
        with running.connect():
            pass
    with running.connect() as line:
        line.sendall(ALIVE)
        assert answer(line)[0].endswith(b"OK")


def test_more_than_the_channel_holds_wait_their_turn(running: Running) -> None:
    """Nobody takes for a while; nothing is lost, and who asks for life is answered all the same."""
    with contextlib.ExitStack() as lines:
        for number in range(400):
            line = lines.enter_context(running.connect())
            line.sendall(OTHER + b"%d" % number)
        with running.connect() as line:
            line.sendall(ALIVE)
            assert answer(line)[0].endswith(b"OK")
        came = set()
        for _ in range(400):
            with running.taken() as handed:
                came.add(handed.recv(4096).rpartition(b"\n")[2])
        assert came == {b"%d" % number for number in range(400)}


def test_it_says_when_nobody_answers(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """Alive by the beats of any process; and for a time while they begin."""
    monkeypatch.setattr("diagnose.api.front.STUCK_SECONDS", 0.5)
    running.front._beaten = 0.0
    with running.connect() as line:
        line.sendall(ALIVE)
        first, headers, body = answer(line)
        assert first == b"HTTP/1.1 503 Service Unavailable"
        assert headers["content-type"] == "application/problem+json"
        assert json.loads(body)["type"] == "/problems/stuck"
        running.far.send(b"12")
        time.sleep(0.1)
        line.sendall(ALIVE)
        assert answer(line)[0].endswith(b"OK")


@pytest.mark.parametrize(
    ("head", "is_one"),
    [
        (ALIVE, True),
        (b"HEAD /healthz?deep=1 HTTP/1.1\r\n\r\n", True),
        (b"GET /healthz HTTP/1.0\r\n\r\n", False),
        (b"POST /healthz HTTP/1.1\r\n\r\n", False),
        (b"GET /healthz/ HTTP/1.1\r\n\r\n", False),
        (b"GET /healthz HTTP/1.1\r\nContent-Length: 4\r\n\r\n", False),
        (b"GET /healthz HTTP/1.1\r\ntransfer-encoding: chunked\r\n\r\n", False),
    ],
)
def test_only_plain_questions_are_answered_there(head: bytes, is_one: bool) -> None:
    """Whatever could have a body, or is no HTTP/1.1, is for the whole server."""
    assert asks_for_life(head) == is_one


def test_no_id_is_repeated_that_could_be_a_header() -> None:
    head = ALIVE.replace(b"probe-7", b"a b: c")
    _, text, known = told(head, alive=True)
    assert b"a b: c" not in text
    assert known.encode() in text


def test_no_more_is_accepted_once_it_is_told_to_stop(running: Running) -> None:
    running.over.set()
    running.thread.join(5.0)
    with pytest.raises(ConnectionRefusedError):
        running.connect()
