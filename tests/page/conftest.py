"""The bench page in a real browser, over a service in a process of its own.

The browser is Debian's Chromium; playwright brings none of its own along.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import sync_playwright

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, BrowserContext, Page

CHROMIUM = "/usr/bin/chromium"
SHIPPED = Path(__file__).parents[2] / "models"
HOST = "bench.larkfield"
"""A name that the browser looks for at this computer: a plain http origin, as on a shop's LAN."""

FLAGS = ("--no-sandbox", "--disable-gpu", f"--host-resolver-rules=MAP {HOST} 127.0.0.1")
"""As root in a container there is no sandbox to be had; pages here are the project's own."""

BREACHES = """
window.breaches = [];
addEventListener("securitypolicyviolation", (event) =>
  window.breaches.push(`${event.violatedDirective} ${event.blockedURI}`));
"""


@dataclass(slots=True)
class Service:
    """A running service, spoken to without the page."""

    address: str
    process: subprocess.Popen[str]
    environment: dict[str, str]
    key: str | None = None

    @property
    def origin(self) -> str:
        """Where a tablet of the shop finds the page."""
        return self.address.replace("127.0.0.1", HOST)

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        """The answer as data; a body of bytes goes as it is."""
        sent = {"content-type": "application/json", **headers}
        if self.key is not None:
            sent["authorization"] = f"Bearer {self.key}"
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        request = urllib.request.Request(  # noqa: S310
            self.address + path, data=data, headers=sent, method=method
        )
        with urllib.request.urlopen(request, timeout=60.0) as response:  # noqa: S310
            return json.loads(response.read())

    def open(self, machine: str, complaint: str, reference: str = "A-17") -> str:
        """A new job; its id."""
        body = {"machine": machine, "complaint": complaint, "shop_reference": reference}
        return str(self.ask("POST", "/v1/jobs", body)["job"])

    def record(self, job: str, *steps: dict[str, Any]) -> Any:
        """Steps, whatever version the job is at."""
        path = f"/v1/jobs/{job}/steps"
        return self.ask("POST", path, {"steps": list(steps)}, **{"if-match": "*"})

    def steps(self, job: str) -> list[dict[str, Any]]:
        """All steps of a job."""
        kept: list[dict[str, Any]] = self.ask("GET", f"/v1/jobs/{job}")["steps"]
        return kept


@contextlib.contextmanager
def served(
    folder: Path, store: Path, *words: str, ready: bool = True, **environment: str
) -> Iterator[Service]:
    """A service over a folder of machines, once it is ready, or once it listens."""
    known = (
        os.environ
        | {"NOSTART_MACHINES": str(folder), "NOSTART_STORE": f"sqlite:///{store}"}
        | environment
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--json", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=known,
    )
    try:
        assert process.stdout is not None
        text = ""
        while not text.endswith("}\n"):
            text += process.stdout.readline()
            assert process.poll() is None
        service = Service(f"http://127.0.0.1:{json.loads(text)['port']}", process, known)
        if ready:
            until_ready(service)
        yield service
    finally:
        process.terminate()
        process.communicate(timeout=30)


def until_ready(service: Service, seconds: float = 600.0) -> None:
    """Wait until every machine is ready."""
    end = time.monotonic() + seconds
    while True:
        try:
            service.ask("GET", "/readyz")
        except (urllib.error.URLError, OSError):
            assert time.monotonic() < end
            time.sleep(0.1)
        else:
            return


def put_machines(folder: Path, *names: str) -> None:
    """A folder with some of the machines that come along."""
    for name in names:
        shutil.copytree(SHIPPED / name, folder / name)


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with two small machines that come along."""
    top = tmp_path_factory.mktemp("bench")
    put_machines(top / "machines", "push_mower", "standby_pump")
    with served(top / "machines", top / "jobs.sqlite") as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A browser for one file of tests: as long as it is there, this thread runs its event loop,
    and nothing else here may start one."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield opened
        opened.close()


@dataclass(slots=True)
class Tablet:
    """A page with what went wrong on it."""

    page: Page
    context: BrowserContext
    service: Service
    faults: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)
    light: str = "light"

    def go(self, place: str) -> None:
        """Another view, by its address."""
        self.page.goto(f"{self.service.origin}/#/{place}")

    def card(self) -> str:
        """What to do, once it stands there."""
        return self.page.locator("#do").inner_text()

    def tap(self, words: str, *, exact: bool = True) -> None:
        """A button or a link."""
        either = self.page.get_by_role("button", name=words, exact=exact)
        self.page.locator("main").locator(either.or_(self._link(words, exact))).first.click()

    def _link(self, words: str, exact: bool) -> Any:
        return self.page.get_by_role("link", name=words, exact=exact)

    def calm(self) -> None:
        """Wait until everything is kept."""
        self.page.get_by_text("everything is kept").wait_for()


@contextlib.contextmanager
def tablet(browser: Browser, service: Service, width: int = 768, **how: Any) -> Iterator[Tablet]:
    """A tablet of its own; nothing may break the policy, go elsewhere, or end in an error."""
    context = browser.new_context(viewport={"width": width, "height": 1000}, **how)
    context.set_default_timeout(15_000)
    context.add_init_script(BREACHES)
    page = context.new_page()
    held = Tablet(page, context, service)
    page.on("pageerror", lambda error: held.faults.append(str(error)))
    page.on("request", lambda request: held.addresses.append(request.url))
    yield held
    held.faults += page.evaluate("window.breaches ?? []")
    context.close()
    assert held.faults == []
    assert [url for url in held.addresses if not url.startswith(service.origin)] == []


@pytest.fixture
def bench(browser: Browser, service: Service) -> Iterator[Tablet]:
    """One tablet."""
    with tablet(browser, service) as held:
        yield held
