"""Steps as JSON and as rows: there and back, and what is refused."""

from __future__ import annotations

import json
from dataclasses import MISSING, fields, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.errors import RequestError
from diagnose.steps import kinds
from diagnose.steps.columns import checked_row, columns
from diagnose.steps.opening import Opening
from diagnose.steps.plain import (
    MOST_NOTE,
    checked_step,
    opening_from_dict,
    opening_to_dict,
    step_from_dict,
    step_to_dict,
    steps_from_dicts,
)
from diagnose.steps.rows import step_row
from diagnose.steps.status import KeptStep, Noted

NAMES = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1)
SORTS: dict[str, st.SearchStrategy[Any]] = {
    "at": st.datetimes(
        datetime(1990, 1, 1), datetime(2100, 1, 1), timezones=st.sampled_from([UTC])
    ),
    "by": NAMES.filter(lambda text: len(text) <= 200),
    "note": NAMES.filter(lambda text: len(text) <= 200),
    "minutes": st.floats(0.0, 1e4),
    "labour_minutes": st.floats(0.0, 1e4),
    "reading": st.floats(-1e9, 1e9),
    "sure": st.floats(0.01, 1.0),
    "fitted_new": st.booleans(),
    "cause_seen": st.booleans(),
    "ended": st.sampled_from(kinds.ENDINGS),
    "tools": st.lists(st.sampled_from(["multimeter", "test_lamp"])).map(tuple),
}


def made(kind: str) -> st.SearchStrategy[Any]:
    """Any step of a kind, each field there or not."""
    record, given = kinds.KINDS[kind], {}
    for item in fields(record):
        sort = SORTS.get(item.name, NAMES.filter(lambda text: len(text) <= 200))
        given[item.name] = sort if item.default is MISSING else sort | st.just(item.default)
    steps = st.builds(record, **given)
    if kind in {"finding", "looked_again"}:
        steps = steps.filter(lambda step: step.outcome is not None or step.reading is not None)
        steps = steps.filter(lambda step: step.unit is None or step.reading is not None)
    return steps


@given(st.sampled_from(list(kinds.KINDS)).flatmap(made))
def test_a_step_comes_back_from_json_as_it_was(step: kinds.AnyStep) -> None:
    text = json.dumps(step_to_dict(step), allow_nan=False)
    assert step_from_dict(json.loads(text)) == step
    assert checked_step(step) == step


@given(st.sampled_from(list(kinds.KINDS)).flatmap(made))
def test_every_step_is_a_row_of_the_data_dictionary(step: kinds.AnyStep) -> None:
    kept = KeptStep(seq=3, step=step, noted=Noted(advised="test x", tool_version="1"))
    row = step_row("abc", kept)
    assert list(row) == [column.name for column in columns()["steps"]]
    assert (row["order_id"], row["seq"], row["kind"]) == ("abc", 3, step.kind)
    assert (row["advised"], row["tool_version"]) == ("test x", "1")


def test_what_is_empty_is_left_out() -> None:
    assert step_to_dict(kinds.Undone()) == {"kind": "undone"}
    told = opening_to_dict(Opening(machine="barn_cart", complaint="silent"))
    assert told == {"machine": "barn_cart", "complaint": "silent"}
    assert opening_from_dict(told) == Opening(machine="barn_cart", complaint="silent")


def test_times_are_brought_to_utc() -> None:
    step = step_from_dict({"kind": "undone", "at": "2026-11-26T09:30:00+01:00"})
    assert step.at == datetime(2026, 11, 26, 8, 30, tzinfo=UTC)
    assert step_to_dict(step)["at"] == "2026-11-26T08:30:00+00:00"


@pytest.mark.parametrize(
    ("content", "place"),
    [
        ([], "steps[0]"),
        ({}, "steps[0].kind"),
        ({"kind": "findng"}, "steps[0].kind"),
        ({"kind": ["finding"]}, "steps[0].kind"),
        ({"kind": "finding", "test": "x"}, "steps[0].outcome"),
        ({"kind": "finding", "outcome": "x"}, "steps[0].test"),
        ({"kind": "finding", "test": 3, "outcome": "x"}, "steps[0].test"),
        ({"kind": "finding", "test": "", "outcome": "x"}, "steps[0].test"),
        ({"kind": "finding", "test": "x", "outcome": "y", "unit": "V"}, "steps[0].unit"),
        ({"kind": "finding", "test": "x", "reading": "12"}, "steps[0].reading"),
        ({"kind": "finding", "test": "x", "reading": True}, "steps[0].reading"),
        ({"kind": "finding", "test": "x", "reading": float("nan")}, "steps[0].reading"),
        ({"kind": "finding", "test": "x", "reading": 10**400}, "steps[0].reading"),
        ({"kind": "finding", "test": "x", "outcome": "y", "sure": 0}, "steps[0].sure"),
        ({"kind": "undone", "test": "x"}, "steps[0].test"),
        ({"kind": "undone", "at": "yesterday"}, "steps[0].at"),
        ({"kind": "undone", "at": "2026-11-26T09:30:00"}, "steps[0].at"),
        ({"kind": "undone", "at": 5}, "steps[0].at"),
        ({"kind": "undone", "at": "0001-01-01T00:00:00+14:00"}, "steps[0].at"),
        ({"kind": "undone", "minutes": -1}, "steps[0].minutes"),
        ({"kind": "tools", "tools": "multimeter"}, "steps[0].tools"),
        ({"kind": "tools", "tools": ["a", 3]}, "steps[0].tools[1]"),
        ({"kind": "tools", "tools": ["a"] * 101}, "steps[0].tools"),
        ({"kind": "closed", "ended": "well"}, "steps[0].ended"),
        ({"kind": "closed", "ended": "runs", "cause_seen": "yes"}, "steps[0].cause_seen"),
        ({"kind": "set_aside", "test": "x", "note": "n" * (MOST_NOTE + 1)}, "steps[0].note"),
        ({"kind": "set_aside", "test": "x", "note": "\ud800"}, "steps[0].note"),
    ],
)
def test_what_cannot_be_a_step_is_refused_with_its_place(content: Any, place: str) -> None:
    with pytest.raises(RequestError) as met:
        steps_from_dicts([content])
    assert met.value.place == place
    assert len(str(met.value)) < 500


def test_steps_come_in_a_list() -> None:
    with pytest.raises(RequestError, match="expected a list"):
        steps_from_dicts({"kind": "undone"})


def test_a_row_says_what_was_done_in_the_words_of_the_dictionary() -> None:
    repaired = kinds.Repaired(part="relay", repair="replace", fitted_new=True, shown="same")
    row = step_row("abc", KeptStep(seq=1, step=repaired, noted=Noted(shown="silent")))
    assert (row["part"], row["repair"], row["fitted_new"]) == ("relay", "replace", "yes")
    assert row["result"] == "silent"  # what `same` was
    told = step_row("abc", KeptStep(seq=1, step=kinds.Told(complaint="silent")))
    assert told["outcome"] == "silent"
    closed = kinds.Closed(ended="runs", cause_part="relay", labour_minutes=40.0, minutes=2.0)
    row = step_row("abc", KeptStep(seq=1, step=closed))
    assert (row["part"], row["minutes"]) == ("relay", 2.0)


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"kind": "findng"}, "steps.kind"),
        ({"seq": "1"}, "steps.seq"),
        ({"seq": True}, "steps.seq"),
        ({"order_id": None}, "steps.order_id"),
        ({"reading": float("inf")}, "steps.reading"),
        ({"test": 3}, "steps.test"),
        ({"at": "2026-11-26"}, "steps.at"),
        ({"colour": "red"}, "steps.colour"),
    ],
)
def test_a_row_that_does_not_hold_to_the_dictionary_is_refused(
    change: dict[str, Any], place: str
) -> None:
    row = {"order_id": "abc", "seq": 1, "kind": "undone"}
    assert checked_row("steps", row)["test"] is None
    with pytest.raises(RequestError) as met:
        checked_row("steps", row | change)
    assert met.value.place == place


def test_the_records_are_frozen() -> None:
    step = kinds.Told(complaint="silent")
    with pytest.raises(AttributeError):
        step.complaint = "dead"  # type: ignore[misc]
    assert replace(step, complaint="dead") != step
