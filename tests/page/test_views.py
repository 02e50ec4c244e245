"""Each view: no fault that axe-core finds, in dark and light, from a phone to a wide screen."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.page.conftest import tablet

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

    from tests.page.conftest import Service, Tablet

AXE = Path(__file__).parent / "axe" / "axe.min.js"
PICTURES = "NOSTART_PAGE_PICTURES"
"""Environment variable with a folder, where pictures of all views are to be kept."""

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
WIDTHS = (360, 768, 1280)
ENDS = (WIDTHS[0], WIDTHS[-1])
"""Where axe-core looks; between them only the arrangement differs."""

LEAST_TARGET = 48

RUN = """async (tags) => {
  const found = await axe.run(document, {
    runOnly: {type: "tag", values: tags}, rules: {"color-contrast-enhanced": {enabled: true}}});
  return found.violations.map((one) => `${one.id}: ${one.nodes.map((n) => n.target).join(" | ")}`);
}"""

SMALL = """(least) => [...document.querySelectorAll("a[href], button, input, select, summary")]
  .map((one) => one.closest("label") ?? one)
  .filter((one) => one.checkVisibility())
  .map((one) => [one.innerText || one.id || one.tagName, one.getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.height < least - 0.5 || box.width < least - 0.5))
  .map(([words, box]) => `${words}: ${box.width} x ${box.height}`)"""


@pytest.fixture(scope="module")
def places(service: Service) -> dict[str, str]:
    """View -> its address, on jobs that stand where it takes them."""
    pump = service.open("standby_pump", "one_click", "A-17")
    tried = {"kind": "finding", "test": "try_it", "outcome": "one_click"}
    service.record(pump, tried)
    mower = service.open("push_mower", "turns_no_start", "B-4")
    repaired = {"kind": "repaired", "part": "spark_plug", "repair": "clean"}
    service.record(mower, {"kind": "finding", "test": "look_lead", "outcome": "nothing_seen"})
    rope = service.open("push_mower", "rope_broken", "C-9")
    runs = service.open("push_mower", "rope_broken", "D-1")
    fitted = {"kind": "repaired", "part": "recoil", "repair": "new_rope", "shown": "runs"}
    service.record(runs, fitted)
    trying = service.open("push_mower", "turns_no_start", "E-2")
    service.record(trying, repaired)
    ended = service.open("push_mower", "rope_broken", "F-3")
    cause = {"cause_part": "recoil", "cause_mode": "broken", "cause_seen": True}
    service.record(ended, fitted, {"kind": "closed", "ended": "runs", "labour_minutes": 20} | cause)
    given = service.open("push_mower", "rope_broken", "G-5")
    service.record(given, {"kind": "handed_over", "note": "no time"})
    return {
        "shop": "",
        "new": "new",
        "key": "key",
        "now": f"job/{pump}",
        "reading": f"job/{pump}/test/battery_rest",
        "repair": f"job/{rope}/repair/recoil.new_rope",
        "try": f"job/{trying}",
        "runs": f"job/{runs}",
        "closing": f"job/{runs}/close",
        "closed": f"job/{ended}",
        "handed_over": f"job/{given}",
        "list": f"job/{mower}/list",
        "suspects": f"job/{pump}/suspects",
        "history": f"job/{mower}/history",
        "around": f"job/{mower}/around",
        "sheet": f"job/{ended}/sheet",
        "card": f"job/{mower}/card",
        "part": f"job/{pump}/part/start_relay",
        "priors": "priors",
        "priors_of": "priors/standby_pump",
    }


VIEWS = (
    *("shop", "new", "key", "now", "reading", "repair", "try", "runs", "closing", "closed"),
    *("handed_over", "list", "suspects", "history", "around", "sheet", "card", "part"),
    *("priors", "priors_of"),
)


def settled(bench: Tablet) -> None:
    """Wait until a view has all that it shows."""
    page = bench.page
    page.locator("main h1, main h2").first.wait_for()
    page.wait_for_function("() => !document.body.innerText.includes('Reading ...')")
    if page.locator("section.drawing .sheet").count():
        page.locator(".sheet svg").wait_for()
    if "/part/" in page.url:
        page.locator(".part-panel").wait_for()
    if page.url.endswith("/new"):
        page.get_by_role("radio").first.check()
        page.get_by_role("radio").nth(4).wait_for()


def problems(bench: Tablet) -> list[str]:
    """What axe-core finds."""
    if not bench.page.evaluate("'axe' in window"):
        bench.page.evaluate(AXE.read_text("utf-8"))
    told: list[str] = bench.page.evaluate(RUN, TAGS)
    return told


def too_small(bench: Tablet) -> list[str]:
    """What sticks out sideways, and targets that are too small."""
    wide = bench.page.evaluate("document.documentElement.scrollWidth > innerWidth")
    told: list[str] = bench.page.evaluate(SMALL, LEAST_TARGET)
    return ["wider than the screen", *told] if wide else told


@pytest.fixture(scope="module", params=["light", "dark"])
def light(request: pytest.FixtureRequest, browser: Browser, service: Service) -> Iterator[Tablet]:
    with tablet(browser, service, color_scheme=request.param) as held:
        held.light = request.param
        yield held


@pytest.mark.parametrize("view", VIEWS)
def test_nothing_is_in_the_way_of_anybody(light: Tablet, places: dict[str, str], view: str) -> None:
    """WCAG 2.2, levels A and AA, and 7:1 of letters, as axe-core finds them; targets of 48 px."""
    told: dict[int, Any] = {}
    light.page.set_viewport_size({"width": WIDTHS[0], "height": 800})
    light.go(places[view])
    light.page.reload()
    settled(light)
    for width in WIDTHS:
        light.page.set_viewport_size({"width": width, "height": 800})
        picture(light, view, width)
        found = [*too_small(light), *(problems(light) if width in ENDS else [])]
        if found:
            told[width] = found
    assert told == {}


def picture(bench: Tablet, view: str, width: int) -> None:
    """Keep a picture of the view where a folder is given for it."""
    folder = os.environ.get(PICTURES)
    if folder:
        name = f"{view}_{width}_{bench.light}.png"
        bench.page.screenshot(path=Path(folder) / name, full_page=True)
