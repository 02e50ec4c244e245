"""The look further at the command line and at the bench."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from diagnose.ahead.look_further import LikelyStep
from diagnose.job import Job
from diagnose.paper.words import action_words, left_words, minutes_number, step_words
from tests.commands.carts import CLASH

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.commands.conftest import Ran

ASKED = ("-c", "silent", "-f", "battery_rest=12.6V")
MEAN = r"about [\d.]+ min left"
LEFT = MEAN + r"(?: \(90 % under [\d.]+\))?"


def test_it_is_there_only_when_asked_for(call: Callable[..., Ran], cart: str) -> None:
    plain = call("advise", cart, *ASKED, "--json").json
    looked = call("advise", cart, *ASKED, "--look-further", "--json").json
    assert "look_further" not in plain
    further = looked.pop("look_further")
    assert looked == plain
    assert further["p90_minutes"] >= 0.5 * further["minutes_left"] > 0.0
    assert further["best"] in further["actions"]
    assert further["and_then"][0]["target"] == further["best"]["target"]
    assert further["jobs"] >= 4


def test_more_time_makes_the_error_smaller(call: Callable[..., Ran], cart: str) -> None:
    found = [
        call("advise", cart, *ASKED, "--look-further", "--budget-ms", ms, "--json").json
        for ms in ("5", "800")
    ]
    jobs = [one["look_further"]["jobs"] for one in found]
    assert jobs[0] < jobs[1]


def test_the_words_are_made_from_the_numbers(call: Callable[..., Ran], cart: str) -> None:
    out = call("advise", cart, *ASKED, "--look-further").out
    assert re.search(LEFT.replace("about", "About"), out)
    job = Job.open(cart, "silent").record("battery_rest", "12.6 V")
    further = job.look_further(0.2)
    mean, p90 = minutes_number(further.minutes_left), minutes_number(further.p90_minutes)
    assert further.p90_minutes > 1.1 * further.minutes_left
    assert left_words(further) == f"about {mean} min left (90 % under {p90})"
    test = job.machine.tests["coil_volts"]
    step = LikelyStep("test", test.id, test.outcomes[0].id, 0.25)
    assert step_words(job.machine, step) == f"{test.title}: {test.outcomes[0].title} (25.0 %)"
    assert action_words(job.machine, "escalate", "") == "Hand over"
    repair = next(one for one in further.actions if one.action == "repair")
    part = repair.target.partition(".")[0]
    assert action_words(job.machine, "repair", repair.target).startswith(
        f"{job.machine.parts[part].title}: "
    )


@pytest.mark.parametrize("ms", ["0.5", "60001", "soon"])
def test_a_time_that_cannot_be_is_refused(call: Callable[..., Ran], cart: str, ms: str) -> None:
    ran = call("advise", cart, *ASKED, "--look-further", "--budget-ms", ms)
    assert ran.code == 2
    assert len(ran.errors) == 1


def test_findings_that_clash(call: Callable[..., Ran], certain_cart: str) -> None:
    found = [word for test, outcome in CLASH.items() for word in ("-f", f"{test}={outcome}")]
    assert call("advise", certain_cart, "-c", "silent", *found, "--look-further").code == 5


def test_the_bench_says_what_is_left(call: Callable[..., Ran], cart: str) -> None:
    """The mean on every screen, how far it may go when asked why."""
    out = call("bench", cart, "-c", "silent", typed=("battery_rest=12.6", "why", "quit")).out
    first, second, why, _ = out.split("> ")
    assert len(re.findall(MEAN, first)) == len(re.findall(MEAN, second)) == 1
    assert "90 %" not in first + second
    assert re.search(MEAN.replace("about", "About") + r" \(90 % under [\d.]+\)\.", why)
