"""A job replayed from its steps is the job that the methods of `Job` make."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import (
    ClashError,
    DiagnoseError,
    RequestError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
)
from diagnose.job import Job
from diagnose.machine.load import load_machine
from diagnose.steps import kinds
from diagnose.steps.apply import apply, begin, replay, settled
from diagnose.steps.plain import step_from_dict, step_to_dict, steps_from_dicts
from diagnose.steps.status import standing
from tests.steps.cart import OPENING, bare, cart, cart_job, told_steps

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.steps.kinds import AnyStep


METHODS: dict[str, Callable[[Job, dict[str, Any]], Job]] = {
    "finding": lambda job, told: job.record(told["test"], result(told), sure=told.get("sure", 1.0)),
    "looked_again": lambda job, told: job.record_again(told["test"], result(told)),
    "withdrawn": lambda job, told: job.retract(told["test"]),
    "set_aside": lambda job, told: job.skip(told["test"], told["note"]),
    "area_opened": lambda job, told: job.open_area(told["area"]),
    "area_closed": lambda job, told: job.close_area(told["area"]),
    "tools": lambda job, told: job.at_hand(told.get("tools", ())),
    "repaired": lambda job, told: job.repair(told["part"], told["repair"], told.get("shown")),
    "tried": lambda job, told: job.check(told["shown"]),
    "told": lambda job, told: job.reported(told["complaint"]),
    "handed_over": lambda job, _: job.noted(),
    "reopened": lambda job, _: job.noted(),
    "undone": lambda job, _: job.undo(),
}
"""The method that somebody would call himself, for each kind of step that the cart's have."""


def result(told: dict[str, Any]) -> Any:
    return told["reading"] if "reading" in told else told["outcome"]


def by_hand(job: Job, step: AnyStep) -> Job:
    return METHODS[step.kind](job, step_to_dict(step))


def same(job: Job, other: Job) -> bool:
    """Whether two jobs are the same, all the way back that can be undone."""
    while job.situation == other.situation and job.skipped == other.skipped:
        if job.before is None or other.before is None:
            return job.before is other.before
        job, other = job.before, other.before
    return False


@settings(max_examples=150, deadline=None)
@given(st.lists(told_steps(), max_size=14))
def test_steps_are_methods_whatever_they_are(steps: list[AnyStep]) -> None:
    """What one refuses the other refuses; settled and through JSON it is still the same job."""
    job, kept = cart_job(), []
    for step in steps:
        try:
            wanted = by_hand(job, step)
        except DiagnoseError as error:
            with pytest.raises(type(error)):
                apply(job, step)
            continue
        taken = settled(job, step)
        assert same(taken.job, wanted)
        assert same(apply(job, taken.step), wanted)
        kept.append(step_from_dict(step_to_dict(taken.step)))
        assert kept[-1] == taken.step
        job = wanted
    assert same(replay(bare(), OPENING, kept), job)


@settings(max_examples=100, deadline=None)
@given(st.lists(told_steps(), max_size=14))
def test_what_is_taken_back_might_as_well_not_have_been(steps: list[AnyStep]) -> None:
    """`standing` knows nothing of jobs; the job without what it leaves out is the same."""
    job, kept = cart_job(), []
    for step in steps:
        try:
            job = apply(job, step)
        except DiagnoseError:
            continue
        kept.append(step)
    assert same(replay(bare(), OPENING, standing(kept)), job)


def test_a_reading_says_by_itself_what_it_stands_for() -> None:
    """12.4 V is what the file calls `good`; millivolts come out in the test's own volts."""
    read = settled(cart_job(), kinds.Found(test="battery_rest", reading=12_600.0, unit="mV"))
    assert isinstance(read.step, kinds.Found)
    assert (read.step.reading, read.step.unit) == (12.6, "V")
    assert read.step.outcome == read.job.findings[0].outcome
    typed = settled(cart_job(), kinds.Found(test="battery_rest", outcome="12.6 V"))
    assert typed.step == read.step


def test_a_reading_is_brought_to_the_temperature_of_the_job() -> None:
    """The outcome is the one that `Job` takes it for, not the one of the plain limits."""
    limits = sorted(
        outcome.at_least
        for outcome in cart().tests["battery_rest"].outcomes
        if outcome.at_least is not None
    )
    warm, cold = (replace(OPENING, temperature_celsius=celsius) for celsius in (20.0, -30.0))
    step = kinds.Found(test="battery_rest", reading=limits[-1] - 0.01)
    outcomes = set()
    for opening in (warm, cold):
        taken = settled(begin(bare(), opening), step)
        assert isinstance(taken.step, kinds.Found)
        assert taken.step.outcome == taken.job.findings[0].outcome
        outcomes.add(taken.step.outcome)
    assert len(outcomes) == 2


def test_a_second_look_keeps_what_was_read_the_second_time() -> None:
    job = cart_job().record("battery_rest", 12.6)
    again = settled(job, kinds.LookedAgain(test="battery_rest", reading=12.7))
    assert isinstance(again.step, kinds.LookedAgain)
    assert again.step.reading == 12.7
    assert again.job.findings[0].confirmed


def test_what_trying_showed_is_noted() -> None:
    part, repair = next(
        (part.id, repair.id) for part in cart().parts.values() for repair in part.repairs
    )
    repaired = settled(cart_job(), kinds.Repaired(part=part, repair=repair, shown="same"))
    assert repaired.noted.shown == "silent"  # as it was complained of
    assert isinstance(repaired.step, kinds.Repaired)
    assert repaired.step.fitted_new == (repair == "replace")
    bare_repair = settled(cart_job(), kinds.Repaired(part=part, repair=repair))
    assert bare_repair.noted.shown is None
    tried = settled(bare_repair.job, kinds.Tried(shown="runs"))
    assert tried.noted.shown == "runs"


def test_trying_the_machine_is_noted_as_what_it_showed() -> None:
    """The cart has no test for it; the walk-behind mower has."""
    mower = load_machine("push_mower")
    (test,) = [test for test in mower.tests.values() if test.kind == "try"]
    job = Job.open(replace(bare(), machine=mower), next(iter(mower.complaints)))
    for outcome in test.outcomes:
        found = settled(job, kinds.Found(test=test.id, outcome=outcome.id))
        assert found.noted.shown == outcome.id


@pytest.mark.parametrize(
    ("step", "kind", "place"),
    [
        ({"kind": "finding", "test": "nope", "outcome": "x"}, UnknownNameError, "test"),
        ({"kind": "finding", "test": "see_nest", "outcome": "fund"}, UnknownNameError, "outcome"),
        ({"kind": "finding", "test": "battery_rest", "reading": 900}, ValueOutOfRangeError, ""),
        (
            {"kind": "finding", "test": "battery_rest", "reading": 12, "unit": "A"},
            UnitError,
            "unit",
        ),
        ({"kind": "withdrawn", "test": "see_nest"}, UnknownNameError, "test"),
        ({"kind": "area_opened", "area": "seet"}, UnknownNameError, "area"),
        ({"kind": "told", "complaint": "silnt"}, UnknownNameError, "complaint"),
        ({"kind": "tools", "tools": ["hammer"]}, UnknownNameError, "tools"),
        ({"kind": "repaired", "part": "x", "repair": "replace"}, UnknownNameError, "part"),
        ({"kind": "tried", "shown": "runs"}, RequestError, ""),
        ({"kind": "closed", "ended": "runs", "cause_part": "x"}, UnknownNameError, "cause_part"),
        ({"kind": "closed", "ended": "runs", "cause_mode": "x"}, RequestError, ""),
    ],
)
def test_an_error_names_the_step_and_its_field(
    step: dict[str, object], kind: type[DiagnoseError], place: str
) -> None:
    steps = steps_from_dicts([{"kind": "tools"}, {"kind": "undone"}, step])
    with pytest.raises(kind) as met:
        replay(bare(), OPENING, steps)
    assert f"steps[2]{place and '.'}{place}" in str(met.value)


def test_tools_at_hand_are_those_named_last() -> None:
    job = cart_job().at_hand(["multimeter", "test_lamp"])
    assert job.situation.tools == {"multimeter", "test_lamp"}
    assert job.at_hand([]).situation.tools == frozenset()
    assert job.undo().situation.tools == frozenset()


def test_what_is_noted_changes_nothing_but_can_be_undone() -> None:
    job = cart_job().open_area("seat")
    assert job.noted().situation == job.situation
    assert job.noted().undo() is job


def test_a_clash_within_a_stretch_is_told_as_it_is() -> None:
    steps = [kinds.Found(test="see_nest", outcome=outcome) for outcome in ("found", "none_found")]
    names = [outcome.id for outcome in cart().tests["see_nest"].outcomes]
    steps = [replace(step, outcome=name) for step, name in zip(steps, names, strict=False)]
    with pytest.raises(ClashError):
        replay(bare(), OPENING, steps)


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"complaint": "silnt"}, "complaint"),
        ({"tools": ("hammer",)}, "tools"),
        ({"open_areas": ("seet",)}, "open_areas"),
    ],
)
def test_an_opening_that_does_not_fit_names_its_field(
    change: dict[str, object], place: str
) -> None:
    with pytest.raises(UnknownNameError) as met:
        begin(bare(), replace(OPENING, **change))  # type: ignore[arg-type]
    assert met.value.place == place


def test_every_kind_of_the_data_dictionary_has_a_record() -> None:
    from diagnose.steps.columns import columns  # noqa: PLC0415

    (kind,) = [column for column in columns()["steps"] if column.name == "kind"]
    assert tuple(kinds.KINDS) == kind.values
    for name, record in kinds.KINDS.items():
        assert record.kind == name
        assert {"at", "by", "minutes"} <= {item.name for item in fields(record)}
