"""What stands open is shown with what it makes cheap, on the page and at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.job import Job
from diagnose.paper.words import minutes_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.commands.conftest import Ran


def test_the_page_lists_what_the_answer_lists(call: Callable[..., Ran], cart: str) -> None:
    words = ("advise", cart, "-c", "silent", "--open", "seat")
    shown = " ".join(call(*words).out.split())
    job = Job.open(cart, "silent", open_areas=["seat"])
    advice = job.advise()
    _, told, rest = shown.partition("While it is open: " + job.machine.areas["seat"].title)
    assert told
    assert advice.while_open
    for one in advice.while_open:
        assert one.title in rest
    assert f"Closing up at the end takes {minutes_words(advice.closing_minutes)}." in rest


def test_the_json_has_the_same(call: Callable[..., Ran], cart: str) -> None:
    found = call("advise", cart, "-c", "silent", "--open", "seat", "--json").json
    advice = Job.open(cart, "silent", open_areas=["seat"]).advise()
    assert [one["test"] for one in found["while_open"]] == [one.test for one in advice.while_open]
    assert found["closing_minutes"] == advice.closing_minutes > 0.0


def test_nothing_is_said_while_nothing_is_open(call: Callable[..., Ran], cart: str) -> None:
    assert "While it is open" not in call("advise", cart, "-c", "silent").out


def test_the_bench_says_it_when_asked_what_stands_open(call: Callable[..., Ran], cart: str) -> None:
    typed = ("open", "open seat", "open", "quit")
    screens = call("bench", cart, "-c", "silent", typed=typed).out.split("> ")
    assert ["While it is open" in screen for screen in screens[:4]] == [False, False, False, True]
    advice = Job.open(cart, "silent", open_areas=["seat"]).advise()
    assert all(known.title in " ".join(screens[3].split()) for known in advice.while_open)
