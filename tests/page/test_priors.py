"""The analyst's view: priors before and after, looked at, adopted, gone back from."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine
from tests.api.priors_files import JUDGED, learnt_priors
from tests.page.conftest import put_machines, served, tablet
from tests.page.test_views import picture, problems, too_small

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.page.conftest import Service, Tablet

MOWER = "push_mower"
PLACE = f"/v1/machines/{MOWER}/priors"


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A priors file of the mower, as a refit writes it."""
    written: Path = tmp_path_factory.mktemp("refit") / "mower_priors.yaml"
    written.write_text(learnt_priors(load_machine(MOWER)), "utf-8")
    return written


def chosen(bench: Tablet, file: Path) -> None:
    bench.go(f"priors/{MOWER}")
    bench.page.locator("#priors-file").set_input_files(file)
    bench.page.get_by_role("heading", name="Adopt mower_priors.yaml?").wait_for()


def test_a_file_is_looked_at_adopted_and_gone_back_from(bench: Tablet, file: Path) -> None:
    page, service = bench.page, bench.service
    before = service.open(MOWER, "turns_no_start")
    chosen(bench, file)
    held = page.locator(".held").inner_text()
    assert "Jobs opened from now on are advised with them." in held
    assert "Open jobs keep the figures they were opened with" in held
    assert service.ask("GET", PLACE)["in_use"] is None  # so far it is only looked at
    page.get_by_role("button", name="Adopt for new jobs").click()
    page.get_by_text("Adopted. Jobs opened from now on use it.").wait_for()
    page.get_by_role("heading", name="Priors taken").wait_for()
    told = service.ask("GET", PLACE)["in_use"]
    after = service.open(MOWER, "turns_no_start")
    versions = [
        service.ask("GET", f"/v1/jobs/{job}/advice")["priors_version"] for job in (before, after)
    ]
    assert versions == ["", told["priors_version"]]
    page.reload()
    page.get_by_role("button", name="Roll back").click()
    asked = page.locator(".held").inner_text()
    assert "It goes back to the figures of the machine's file." in asked
    assert "Open jobs keep" in asked
    page.locator(".held").get_by_role("button", name="Roll back").click()
    page.get_by_role("heading", name="The figures of the machine's file").wait_for()
    assert service.ask("GET", PLACE)["in_use"] is None
    page.get_by_text("rolled back").first.wait_for()


def test_figures_have_their_interval_drawn_and_in_numbers(bench: Tablet, file: Path) -> None:
    chosen(bench, file)
    page = bench.page
    known = bench.service.ask("POST", f"{PLACE}/check", {"text": file.read_text("utf-8")})
    first = next(rate for rate in known["rates"] if rate["known"])
    row = page.locator(".rates tbody tr").first
    text = row.inner_text()
    for value in (first["shipped"], first["refitted"], first["low"], first["high"]):
        assert f"{float(f'{value:.3g}'):g}" in text
    bar, mark = row.locator(".between").bounding_box(), row.locator(".mark-learnt").bounding_box()
    assert bar is not None
    assert mark is not None
    assert bar["x"] <= mark["x"] + mark["width"] / 2.0 <= bar["x"] + bar["width"]
    unknown = page.locator("section", has=page.locator("#unknown-title")).last
    unknown.locator("summary").click()
    titles = unknown.locator(".rows").first.inner_text()
    rest = [rate["title"] for rate in known["rates"] if not rate["known"]]
    assert rest
    assert all(title in titles for title in rest)
    assert len(known["not_identified"]) == 1
    assert all(title in unknown.inner_text() for title in known["not_identified"][0]["members"])


def test_whether_to_believe_them_is_told_and_drawn(bench: Tablet, file: Path) -> None:
    chosen(bench, file)
    page = bench.page
    page.get_by_text(JUDGED.reason).wait_for()
    assert page.locator(".calibration circle").count() == len(JUDGED.calibration)
    rows = page.locator(".calibration tbody tr").all()
    for row, own in zip(rows, JUDGED.calibration, strict=True):
        assert str(own.cases) in row.inner_text()
        assert f"{round(100.0 * own.observed)} %" in row.inner_text()
    heights = [mark.bounding_box() for mark in page.locator(".calibration circle").all()]
    tops = [box["y"] for box in heights if box is not None]
    assert tops == sorted(tops, reverse=True)  # what came more often stands higher


def test_what_is_wrong_in_a_file_is_told_line_by_line(
    bench: Tablet, file: Path, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text(file.read_text("utf-8").replace("orders: 512", "order: 512"), "utf-8")
    bench.go(f"priors/{MOWER}")
    bench.page.locator("#priors-file").set_input_files(broken)
    told = bench.page.get_by_role("alert")
    told.get_by_text("nearest is `orders`").wait_for()
    assert "Line 1" in told.inner_text() or "Line 5" in told.inner_text()
    assert bench.page.get_by_role("button", name="Adopt for new jobs").count() == 0


@pytest.mark.parametrize("light", ["light", "dark"])
def test_the_view_is_in_nobody_s_way(
    browser: Browser, service: Service, file: Path, light: str
) -> None:
    """WCAG 2.2 AA and 7:1 as axe-core finds them, with all that the view can show."""
    with tablet(browser, service, 360, color_scheme=light) as bench:
        bench.light = light
        chosen(bench, file)
        bench.page.locator("summary").first.click()
        for width in (360, 768, 1280):
            bench.page.set_viewport_size({"width": width, "height": 800})
            picture(bench, "priors_of_a_file", width)
            assert [*too_small(bench), *problems(bench)] == [], width


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service that asks for keys."""
    top = tmp_path_factory.mktemp("guarded")
    put_machines(top / "machines", MOWER)
    store = top / "jobs.sqlite"
    with served(top / "machines", store, ready=False, NOSTART_KEYS="always") as running:
        yield running


@pytest.mark.parametrize("role", ["analyst", "technician"])
def test_each_key_sees_what_it_may(browser: Browser, guarded: Service, role: str) -> None:
    """An analyst's key sees no jobs and leads to the priors; a technician's may only read them."""
    told = subprocess.run(
        [sys.executable, "-m", "diagnose", "keys", "add", role, "--role", role],
        check=True, capture_output=True, text=True, env=guarded.environment,
    ).stdout  # fmt: skip
    key = next(word for word in told.split() if word.startswith("nsk_"))
    with tablet(browser, guarded) as bench:
        page = bench.page
        bench.go("")
        page.get_by_label("Key", exact=True).fill(key)
        page.get_by_role("button", name="Use it").click()
        if role == "technician":
            page.get_by_role("heading", name="On the bench").wait_for()
            page.get_by_role("link", name="Priors: how often faults are expected").click()
        page.get_by_role("heading", name="Priors", exact=True).wait_for()
        page.locator("a.row").first.click()
        page.get_by_role("heading", name="The figures of the machine's file").wait_for()
        assert page.locator("#priors-file").count() == (1 if role == "analyst" else 0)
        refused = page.get_by_text("Only an analyst's key may adopt or roll back.")
        assert refused.count() == (0 if role == "analyst" else 1)
