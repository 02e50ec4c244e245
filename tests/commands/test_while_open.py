"""What stands open is shown with what it makes cheap, on the page and at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.job import Job

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
    assert f"Closing up at the end takes {advice.closing_minutes:.1f} min." in rest


def test_the_json_has_the_same(call: Callable[..., Ran], cart: str) -> None:
    found = call("advise", cart, "-c", "silent", "--open", "seat", "--json").json
    advice = Job.open(cart, "silent", open_areas=["seat"]).advise()
    assert [one["test"] for one in found["while_open"]] == [one.test for one in advice.while_open]
    assert found["closing_minutes"] == advice.closing_minutes > 0.0


def test_nothing_is_said_while_nothing_is_open(call: Callable[..., Ran], cart: str) -> None:
    assert "While it is open" not in call("advise", cart, "-c", "silent").out


def test_the_bench_says_it_once_something_is_open(call: Callable[..., Ran], cart: str) -> None:
    before, _, after = call(
        "bench", cart, "-c", "silent", typed=("open seat", "quit")
    ).out.partition("> ")
    assert "While it is open" not in before
    assert "While it is open" in after
