"""What prints: the finding sheet on one page, the decision card on two (ISO 216, A4)."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.commands.card import LEVELS
from diagnose.commands.card_page import card_page, fitting_page
from diagnose.commands.card_walk import Walked
from diagnose.job import prepare
from tests.page.test_views import PICTURES

if TYPE_CHECKING:
    from tests.page.conftest import Tablet


def printed(bench: Tablet, name: str) -> list[tuple[float, float]]:
    """The view as a PDF: the size of each of its pages, millimetres."""
    body = bench.page.pdf(prefer_css_page_size=True)
    if PICTURES in os.environ:
        (Path(os.environ[PICTURES]) / f"{name}.pdf").write_bytes(body)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", body)
    return [(float(w) / 72.0 * 25.4, float(h) / 72.0 * 25.4) for w, h in boxes]


def is_upright(page: tuple[float, float]) -> bool:
    return abs(page[0] - 210.0) < 1.0 and abs(page[1] - 297.0) < 1.0


def is_lengthwise(page: tuple[float, float]) -> bool:
    return is_upright((page[1], page[0]))


def test_the_sheet_prints_on_one_page_and_the_card_on_two(bench: Tablet) -> None:
    job = bench.service.open("push_mower", "rope_broken", "P-1")
    fitted = {"kind": "repaired", "part": "recoil", "repair": "new_rope", "shown": "runs"}
    seen = {"kind": "finding", "test": "look_rope", "outcome": "no"}
    bench.service.record(job, seen, fitted)
    bench.go(f"job/{job}/sheet")
    bench.page.locator(".manual").wait_for()
    pages = printed(bench, "sheet")
    assert len(pages) == 1
    assert is_upright(pages[0])
    other = bench.service.open("push_mower", "turns_no_start", "P-2")
    bench.go(f"job/{other}/card")
    bench.page.locator(".card-page svg").wait_for()
    pages = printed(bench, "card")
    assert len(pages) == 2
    assert is_upright(pages[0])
    assert is_lengthwise(pages[1])


@pytest.mark.parametrize("font", ["Liberation Sans", "DejaVu Sans"])
@pytest.mark.parametrize("machine", ["utility_vehicle", "zero_turn_mower"])
def test_a_card_with_the_most_steps_prints_on_two_pages(
    bench: Tablet, machine: str, font: str
) -> None:
    """Where a font is missing the browser takes another; the card has to fit all the same."""
    ready = prepare(machine)
    card = fitting_page(ready, "silent", LEVELS)
    played = Walked(jobs=400, came=180, ended=150)
    told = card_page(ready, card, played).replace("sans-serif", f"'{font}',sans-serif")
    bench.page.set_content(told)
    pages = printed(bench, f"card-{machine}")
    assert [is_upright(page) for page in pages] == [True, False]


def test_what_is_only_for_the_screen_is_not_printed(bench: Tablet) -> None:
    job = bench.service.open("push_mower", "rope_broken", "P-3")
    bench.go(f"job/{job}/sheet")
    bench.page.locator(".manual").wait_for()
    bench.page.emulate_media(media="print")
    for button in bench.page.get_by_role("button").all() + bench.page.get_by_role("link").all():
        assert not button.is_visible()
    assert bench.page.locator(".paper").is_visible()
