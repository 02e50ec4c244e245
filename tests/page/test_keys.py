"""A tablet that opens the page from another address: it shows a key, once."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.page.conftest import put_machines, served, tablet

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

    from tests.page.conftest import Service


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service that asks for keys."""
    top = tmp_path_factory.mktemp("guarded")
    put_machines(top / "machines", "push_mower")
    store = top / "jobs.sqlite"
    with served(top / "machines", store, ready=False, NOSTART_KEYS="always") as running:
        told = subprocess.run(
            [sys.executable, "-m", "diagnose", "keys", "add", "Tablet", "--role", "technician"],
            check=True, capture_output=True, text=True, env=running.environment,
        ).stdout  # fmt: skip
        running.key = next(word for word in told.split() if word.startswith("nsk_"))
        yield running


def test_the_key_is_asked_for_once_kept_and_forgotten(browser: Browser, guarded: Service) -> None:
    with tablet(browser, guarded) as bench:
        page = bench.page
        bench.go("")
        page.get_by_role("heading", name="Key").wait_for()
        page.get_by_label("Key", exact=True).fill("nsk_wrong")
        page.get_by_role("button", name="Use it").click()
        page.get_by_text("That key does not hold.").wait_for()
        page.get_by_label("Key", exact=True).fill(str(guarded.key))
        page.get_by_role("button", name="Use it").click()
        page.get_by_role("heading", name="On the bench").wait_for()
        page.reload()
        page.get_by_role("heading", name="On the bench").wait_for()
        kept = page.evaluate("[document.cookie, {...localStorage}, {...sessionStorage}]")
        assert kept == ["", {"keyed": "yes"}, {}]  # that there is one, not which
        bench.go("key")
        page.get_by_role("button", name="Forget the key of this tablet").click()
        bench.go("")
        page.get_by_role("heading", name="Key").wait_for()
    assert str(guarded.key) not in "".join(bench.addresses)
