"""From steps to a job: each step is one method of `Job`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

from diagnose.advice.record import read_result
from diagnose.errors import (
    DiagnoseError,
    RequestError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
)
from diagnose.faults.outcomes import TRY
from diagnose.faults.words import OK, UNLISTED
from diagnose.job import Job
from diagnose.machine.model import NEW_PART
from diagnose.steps import kinds
from diagnose.steps.status import Noted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from diagnose.machine.model import Machine
    from diagnose.rule.prepared import Prepared
    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.opening import Opening


def apply(job: Job, step: AnyStep) -> Job:
    """The job after a step.

    Raises:
        DiagnoseError: as the method of `Job` that the step is; a cause that the machine does not
            have.
    """
    return _METHODS[type(step)](job, step)


def replay(prepared: Prepared, opening: Opening, steps: Iterable[AnyStep]) -> Job:
    """The job that an opening and its steps come to.

    Args:
        prepared: the machine that the job goes on with: after `moved`, the one moved to.
        opening: how the job began.
        steps: all steps, those taken back and `undone` among them.

    Raises:
        DiagnoseError: as `apply`, with the place: `steps[3].test`.
    """
    return apply_all(begin(prepared, opening), steps)


def begin(prepared: Prepared, opening: Opening) -> Job:
    """The job as it was opened.

    Raises:
        UnknownNameError, ValueOutOfRangeError: as `Job.open`, with the field of the opening.
    """
    try:
        return Job.open(
            prepared,
            opening.complaint,
            tools=opening.tools,
            open_areas=opening.open_areas,
            temperature_celsius=opening.temperature_celsius,
        )
    except UnknownNameError as error:
        field = {"tool": "tools", "area": "open_areas"}.get(error.kind, error.kind)
        raise UnknownNameError(error.kind, error.met, error.valid, field) from error


def apply_all(job: Job, steps: Iterable[AnyStep], first: int = 0) -> Job:
    """The job after several steps.

    Args:
        job: as it stands.
        steps: in order.
        first: number of the first one in the place that an error names.

    Raises:
        DiagnoseError: as `apply`, with the place: `steps[3].test`.
    """
    for number, step in enumerate(steps, first):
        try:
            job = apply(job, step)
        except DiagnoseError as error:
            raise placed(error, step, f"steps[{number}]") from error
    return job


@dataclass(frozen=True, slots=True)
class Settled:
    """A step with all that it says by itself, what is noted about it, and the job after it."""

    step: AnyStep
    noted: Noted
    job: Job


def settled(job: Job, step: AnyStep, place: str = "") -> Settled:
    """A step as it is kept: a job takes it, and it says the same without the machine.

    A reading gets its unit and the outcome that it stands for, a repair whether it fits a new
    part. What trying the machine showed is noted of every step that tells it.

    Args:
        job: as it stands before the step.
        step: the step.
        place: where it stood, for errors: `steps[3]`.

    Raises:
        DiagnoseError: as `apply`; with the field of the step where a place was given.
    """
    try:
        after = apply(job, step)
    except DiagnoseError as error:
        if not place:
            raise
        raise placed(error, step, place) from error
    if isinstance(step, kinds.Found | kinds.LookedAgain):
        test = job.machine.tests[step.test]
        taken = read_result(job.machine, test, _result(job, step), job.celsius)
        unit = None if taken.reading is None else test.unit
        filled = replace(step, outcome=taken.outcome, reading=taken.reading, unit=unit)
        return Settled(filled, Noted(shown=taken.outcome if test.kind == TRY else None), after)
    if isinstance(step, kinds.Repaired):
        fitted = step.repair == NEW_PART if step.fitted_new is None else step.fitted_new
        shown = None if step.shown is None else after.repairs[-1].check
        return Settled(replace(step, fitted_new=fitted), Noted(shown=shown), after)
    if isinstance(step, kinds.Tried):
        return Settled(step, Noted(shown=after.repairs[-1].check), after)
    return Settled(step, Noted(), after)


def placed(error: DiagnoseError, step: AnyStep, place: str) -> DiagnoseError:
    """The same error with the field of the step that it is about: `steps[3].test`."""
    if isinstance(error, UnknownNameError):
        field = _field_of(error.kind, step)
        return UnknownNameError(error.kind, error.met, error.valid, f"{place}.{field}")
    if isinstance(error, UnitError):
        return UnitError(f"{place}.unit", error.met, error.expected)
    if isinstance(error, ValueOutOfRangeError):
        field = "sure" if error.place.endswith(".sure") else "reading"
        return ValueOutOfRangeError(
            f"{place}.{field}", error.met, error.low, error.high, error.unit
        )
    if isinstance(error, RequestError):
        return RequestError(str(error).removeprefix(f"{error.place}: "), place)
    return error


def _field_of(kind: str, step: AnyStep) -> str:
    if isinstance(step, kinds.Closed):
        return "cause_mode" if kind == "mode" else "cause_part"
    return {"finding": "test", "check": "shown", "tool": "tools"}.get(kind, kind)


def _result(job: Job, step: Any) -> str | float:
    """What `Job.record` takes: a reading goes before the outcome it stands for."""
    if step.reading is None:
        return cast("str", step.outcome)
    test = job.machine.tests.get(step.test)
    if step.unit is None or (test is not None and test.unit == step.unit):
        return cast("float", step.reading)
    return f"{step.reading!r} {step.unit}"


def _closed(job: Job, step: Any) -> Job:
    """A closed job; its cause is one that the machine has, or `unlisted`."""
    check_cause(job.machine, step.cause_part, step.cause_mode)
    return job.noted()


def check_cause(machine: Machine, part: str | None, mode: str | None) -> None:
    """Refuse a cause that the machine does not have.

    Raises:
        UnknownNameError: no such part, or no such mode of it.
        RequestError: a mode without a part.
    """
    if part is None and mode is not None:
        raise RequestError("a mode is the mode of a part; name the part", "cause_part")
    if part is None or (part == UNLISTED and mode is None):
        return
    if part not in machine.parts:
        raise UnknownNameError("part", part, [*machine.parts, UNLISTED])
    modes = [known for known in machine.parts[part].modes if known != OK]
    if mode is not None and mode not in modes:
        raise UnknownNameError("mode", mode, modes)


_METHODS: dict[type[AnyStep], Callable[[Job, Any], Job]] = {
    kinds.Told: lambda job, step: job.reported(step.complaint),
    kinds.Found: lambda job, step: job.record(step.test, _result(job, step), sure=step.sure),
    kinds.LookedAgain: lambda job, step: job.record_again(step.test, _result(job, step)),
    kinds.Withdrawn: lambda job, step: job.retract(step.test),
    kinds.SetAside: lambda job, step: job.skip(step.test, step.note),
    kinds.AreaOpened: lambda job, step: job.open_area(step.area),
    kinds.AreaClosed: lambda job, step: job.close_area(step.area),
    kinds.Tools: lambda job, step: job.at_hand(step.tools),
    kinds.Repaired: lambda job, step: job.repair(step.part, step.repair, step.shown),
    kinds.Tried: lambda job, step: job.check(step.shown),
    kinds.HandedOver: lambda job, _: job.noted(),
    kinds.Closed: _closed,
    kinds.Reopened: lambda job, _: job.noted(),
    kinds.Moved: lambda job, _: job.noted(),
    kinds.Undone: lambda job, _: job.undo(),
}
