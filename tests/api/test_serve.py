"""`diagnose serve` as a process: its socket, its address, its signals, its user."""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.address import check_address, is_loopback, listener_on
from diagnose.api.counts import WRITTEN_EVERY_SECONDS

from diagnose.errors import SettingError
from diagnose.store.store import Store
from tests.api.shop_system import Client

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT = Path(__file__).parents[2]
NOBODY = 65_534
PR_CAPBSET_DROP, CAP_DAC_OVERRIDE = 24, 1


@contextlib.contextmanager
def served(
    words: Sequence[str] = (), *, environment: dict[str, str] | None = None, **how: Any
) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A service in a process of its own, and its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--json", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | (environment or {}),
        **how,
    )
    try:
        assert process.stdout is not None
        text = ""
        while not text.endswith("}\n"):
            line = process.stdout.readline()
            assert line, process.communicate()[1]
            text += line
        yield f"http://127.0.0.1:{json.loads(text)['port']}", process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def get(url: str, seconds: float = 60.0) -> tuple[int, bytes]:
    """Status and body, once somebody listens."""
    end = time.monotonic() + seconds
    while True:
        try:
            with urllib.request.urlopen(url, timeout=seconds) as response:  # noqa: S310
                return response.status, response.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.05)


def test_answers_are_not_held_back() -> None:
    """Linux, tcp(7): what is accepted has the options of the socket that listens."""
    with listener_on("127.0.0.1", 0) as listener:
        caller = socket.create_connection(listener.getsockname())
        accepted, _ = listener.accept()
        with caller, accepted:
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


@pytest.mark.parametrize(
    ("host", "near"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),  # noqa: S104
        ("::", False),
        ("192.0.2.7", False),  # RFC 5737, for documentation
        ("bench.example", False),
    ],
)
def test_only_loopback_is_free_without_keys(host: str, near: bool) -> None:
    assert is_loopback(host) == near
    check_address(host, keys=True)
    if near:
        check_address(host, keys=False)
    else:
        with pytest.raises(SettingError, match="diagnose keys add"):
            check_address(host, keys=False)


def test_the_port_answers_before_the_machines_are_ready_and_it_stops_when_told(
    tmp_path: Path,
) -> None:
    """An empty cache: making the machines ready takes a minute and more."""
    environment = {"NOSTART_CACHE_DIR": str(tmp_path / "cache")}
    with served(environment=environment) as (url, process):
        assert get(f"{url}/healthz")[0] == 200
        status, body = get(f"{url}/readyz")
        assert (status, json.loads(body)["type"]) == (503, "/problems/not-ready")
        told = time.monotonic()
        process.send_signal(signal.SIGTERM)
        _, log = process.communicate(timeout=30)
        assert time.monotonic() - told < 20.0
    assert "Traceback" not in log
    assert all(json.loads(line) for line in log.splitlines())


def test_an_address_that_others_reach_is_refused_in_one_line(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    words = [sys.executable, "-m", "diagnose", "serve", "--host", "0.0.0.0", "--port", "0"]  # noqa: S104
    done = subprocess.run(
        words, env=os.environ | {"NOSTART_STORE": url}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "diagnose keys add" in line


def test_an_address_that_others_reach_is_served_with_keys_alone(
    folder: Path, tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    store = Store.open(url)
    _, key = store.add_key("office", "larkfield", "technician")
    environment = {"NOSTART_STORE": url, "NOSTART_MACHINES": str(folder)}
    with served(["--host", "0.0.0.0"], environment=environment) as (near, _):  # noqa: S104
        assert get(f"{near}/healthz")[0] == 200
        assert get(f"{near}/v1/machines")[0] == 401
        store.revoke_key(key.prefix)
        assert get(f"{near}/v1/machines")[0] == 401
    store.close()


def written_by_four(url: str, each: int) -> tuple[int, int]:
    """Steps that four clients were told are kept in one job, and the job's version."""
    client = Client(url)
    job = client.open_job({"machine": "barn_cart", "complaint": "silent"}).body["job"]

    def write(number: int) -> int:
        kept = 0
        while kept < each:
            tag = client.job(job=job).headers["etag"]
            step = {"kind": "set_aside", "test": "see_nest", "note": f"{number}.{kept}"}
            with contextlib.suppress(urllib.error.HTTPError):  # another was first
                client.add_steps({"steps": [step]}, job=job, if_match=tag)
                kept += 1
        return kept

    with ThreadPoolExecutor(4) as pool:
        acknowledged = sum(pool.map(write, range(4)))
    steps = client.job(job=job).body["steps"]
    assert len({step["note"] for step in steps}) == len(steps)
    return acknowledged, len(steps)


def kept_by_the_counters(url: str) -> int:
    """Writes that were taken, by a scrape; every scrape says the same, whichever process it met.

    What the others tell of themselves may be a second old.
    """
    about = 'nostart_requests_total{method="POST",route="/v1/jobs/{job}/steps",status="201"}'
    told = set()
    time.sleep(3.0 * WRITTEN_EVERY_SECONDS)
    for _ in range(8):
        _, text = get(f"{url}/metrics")
        (line,) = [line for line in text.decode().splitlines() if line.startswith(about)]
        told.add(int(float(line.rpartition(" ")[2])))
    (count,) = told
    return count


def test_several_processes_answer_on_one_port_and_end_with_the_first(
    folder: Path, tmp_path: Path
) -> None:
    environment = {
        "NOSTART_MACHINES": str(folder),
        "NOSTART_STORE": f"sqlite:///{tmp_path / 'jobs.sqlite'}",
    }
    with served(["--workers", "2"], environment=environment) as (url, process):
        assert get(f"{url}/v1/machines")[0] == 200
        assert written_by_four(url, 5) == (20, 20)
        assert kept_by_the_counters(url) == 20
        children = _children(process.pid)
        assert len(children) >= 2
        process.kill()
        process.wait()
        end = time.monotonic() + 20.0
        while time.monotonic() < end and any(map(_runs, children)):
            time.sleep(0.1)
        assert not [child for child in children if _runs(child)]


def _children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = stat.read_text().rpartition(")")[2].split()
            if int(fields[1]) == pid:
                found.append(int(stat.parent.name))
    return found


def _runs(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


@pytest.fixture
def read_only() -> Iterator[Path]:
    """A copy of the program that nobody may write, where every user can read it."""
    top = Path(tempfile.mkdtemp(prefix="install-"))
    for name in ("diagnose", "api", "models", "datasets"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / name, top / name, ignore=ignored)
    for place in (top, *top.rglob("*")):
        place.chmod(0o555 if place.is_dir() else 0o444)
    yield top
    for place in (top, *top.rglob("*")):
        if place.is_dir():
            place.chmod(0o755)
    shutil.rmtree(top)
    shutil.rmtree(top.with_name(f"{top.name}-tmp"), ignore_errors=True)


def _without_rights() -> dict[str, Any]:
    """How to start a process that may write only what its user owns and has not made read-only.

    As nobody, where this process may start one as him and he can run this Python; else without the
    administrator's right to write everywhere (capabilities(7), prctl(2)).
    """
    if os.getuid() != 0:
        return {}
    how = {"user": NOBODY, "group": NOBODY, "extra_groups": []}
    with contextlib.suppress(PermissionError):
        words = [sys.executable, "-c", "import numba"]
        if subprocess.run(words, check=False, capture_output=True, cwd="/", **how).returncode == 0:
            return how
    return {"preexec_fn": lambda: ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, CAP_DAC_OVERRIDE, 0, 0)}


def test_it_starts_on_a_read_only_install_for_a_user_without_a_home(read_only: Path) -> None:
    environment = {"HOME": str(read_only), "PYTHONPATH": str(read_only)}
    environment |= dict.fromkeys(("XDG_CACHE_HOME", "NOSTART_CACHE_DIR", "XDG_DATA_HOME"), "")
    environment["TMPDIR"] = str(read_only.parent / f"{read_only.name}-tmp")
    Path(environment["TMPDIR"]).mkdir()
    Path(environment["TMPDIR"]).chmod(0o777)
    how = _without_rights() | {"cwd": "/"}
    probe = f"import pathlib; pathlib.Path({str(read_only / 'made')!r}).touch()"
    tried = subprocess.run(
        [sys.executable, "-c", probe], check=False, capture_output=True, text=True, **how
    )
    assert "PermissionError" in tried.stderr
    with served(environment=environment, **how) as (url, process):
        assert get(f"{url}/healthz")[0] == 200
        status, body = get(f"{url}/v1/machines", 120.0)
        assert (status, len(json.loads(body)["machines"])) == (200, 6)
        process.send_signal(signal.SIGTERM)
        _, log = process.communicate(timeout=30)
    assert "Traceback" not in log


def test_work_ends_when_the_client_hangs_up(tmp_path: Path) -> None:
    """A dear request on the one slot there is, left by its client: the next has its turn.

    The first asks for a machine that takes long to be made ready, since the cache is empty.
    """
    environment = {
        "NOSTART_CACHE_DIR": str(tmp_path / "cache"),
        "NOSTART_STORE": f"sqlite:///{tmp_path / 'jobs.sqlite'}",
        "NOSTART_DEADLINE_SECONDS": "600",
    }
    with served(environment=environment) as (url, process):
        assert get(f"{url}/healthz")[0] == 200
        host, _, port = url.removeprefix("http://").partition(":")
        body = b'{"machine": "push_mower", "complaint": "rope_broken"}'
        with socket.create_connection((host, int(port))) as caller:
            caller.sendall(
                b"POST /v1/advice HTTP/1.1\r\nhost: bench\r\ncontent-type: application/json\r\n"
                b"content-length: %d\r\n\r\n%s" % (len(body), body)
            )
            time.sleep(0.5)
        status = b'nostart_requests_total{method="POST",route="/v1/advice",status="499"} 1.0'
        end = time.monotonic() + 120.0
        while status not in get(f"{url}/metrics")[1]:
            assert time.monotonic() < end
            time.sleep(0.2)
        process.kill()
