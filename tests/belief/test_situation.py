"""What a machine was last seen to do, and how a job begins, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnose.belief.situation import (
    Epoch,
    Finding,
    RepairDone,
    Situation,
    seen_to_do,
    tried_situation,
)
from tests.faults.machines import shipped

MACHINE = shipped("utility_vehicle").machine


@pytest.mark.parametrize(
    ("checks", "tried", "wanted"),
    [
        ((), None, "silent"),
        ((), "one_click", "one_click"),
        ((), "runs", "silent"),  # then it shows nothing, and the words stand
        (("one_click",), None, "one_click"),
        (("runs",), None, "silent"),
        (("other",), None, "silent"),
        ((None,), None, "silent"),
        (("one_click", None), None, "one_click"),
        (("one_click", "dead"), None, "dead"),
        (("one_click",), "dead", "dead"),
        (("one_click",), "other", "one_click"),
    ],
)
def test_the_complaint_that_was_seen_last_or_else_the_one_reported(
    checks: tuple[str | None, ...], tried: str | None, wanted: str
) -> None:
    past = tuple(Epoch((), RepairDone("start_relay", "replace", check)) for check in checks)
    findings = (Finding("try_it", tried),) if tried else ()
    situation = Situation("silent", findings, past=past)
    assert seen_to_do(MACHINE, situation) == wanted
    # what is heard elsewhere may be called the same and is not what the machine does
    listened = replace(situation, findings=(*findings, Finding("listen_relay", "silent")))
    assert seen_to_do(MACHINE, listened) == wanted


def test_what_was_tried_before_a_repair_stands_until_something_else_is_seen() -> None:
    past = (Epoch((Finding("try_it", "dead"),), RepairDone("start_relay", "replace", None)),)
    assert seen_to_do(MACHINE, Situation("silent", past=past)) == "dead"


def test_a_job_begins_with_what_shows_on_trying() -> None:
    assert tried_situation(MACHINE, "silent") == Situation("silent", (Finding("try_it", "silent"),))
    hidden = [c.id for c in MACHINE.complaints.values() if not c.on_trying]
    assert hidden
    for complaint in hidden:
        assert tried_situation(MACHINE, complaint) == Situation(complaint)


def test_a_tool_is_at_hand_where_all_are_or_it_is_named_or_none_is_needed() -> None:
    every, some = Situation("silent"), Situation("silent", tools=frozenset({"meter"}))
    assert every.at_hand("lamp")
    assert some.at_hand("meter")
    assert some.at_hand("none")
    assert not some.at_hand("lamp")
