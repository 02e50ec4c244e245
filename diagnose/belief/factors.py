"""What was told, seen and done on a job, in order, as the belief needs it.

Each thing seen is a factor: its likelihood under every reading that the observable can show, or,
when it is about a shared cause, under every combination of the causes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.looks import Slips, all_looks
from diagnose.errors import UnknownNameError
from diagnose.faults.manners import N_MANNERS, by_manner
from diagnose.faults.outcomes import complaint_chances, wording
from diagnose.faults.priors import new_part_modes
from diagnose.faults.readings import reading_likelihood, slip_density
from diagnose.faults.temperature import volts_to_add
from diagnose.faults.tried import check_results, shown_chances
from diagnose.faults.words import YES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.belief.situation import Finding, RepairDone, Situation
    from diagnose.faults.solved import Solved, SolvedSets

Floats = NDArray[np.float64]

READING, UNSURE = "(reading)", "(unsure)"
"""States of findings that are no plain outcome, as errors name them."""


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """One thing seen.

    Attributes:
        node, state: what it is called in an error.
        column: observable that shows it, -1 when it is about a shared cause.
        cause: number of that cause among `Priors.causes`, -1 elsewhere.
        like: (manners, readings) likelihood under each reading of the observable, by how loose
            joints stand (`diagnose.faults.manners`); for a shared cause (2,) with the cause absent
            and present.
        test: number of the test, -1 for the complaint and for checks.
        outcome: number of the outcome, or of the one that a reading stands for.
        plain: (same as `like`) chance of that outcome as such.
        slip: chance that what was written down says nothing of the machine, times its likelihood
            then.
        by_luck: odds that a slip wrote down what is there all the same, to a look without a slip.
        slipped: (same as `like`) that part of `like` where something else is there, after several
            looks; None: `slip` everywhere, less what is right by luck.
        repairs_before: repairs done when it was seen.
        may_be_doubted: whether looking again is possible and of use.
    """

    node: str
    state: str
    column: int
    cause: int
    like: Floats
    test: int
    outcome: int
    plain: Floats
    slip: float
    repairs_before: int
    may_be_doubted: bool = False
    by_luck: float = 0.0
    slipped: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Transition:
    """A repair that was carried out.

    Attributes:
        fixed: (faults + 1,) whether it puts each right.
        bad: fault of the new part -> its chance.
    """

    fixed: NDArray[np.bool_]
    bad: dict[int, float]


Step = Factor | Transition


def at_least(step: Step, floor: float) -> Step:
    """The same step; what was seen is no less likely than that under anything."""
    if isinstance(step, Transition):
        return step
    return replace(step, like=np.maximum(step.like, floor))


def steps_of(sets: SolvedSets, solved: Solved, situation: Situation) -> list[Step]:
    """Everything that was seen and done, in the order of the job.

    Raises:
        UnknownNameError: a repair that the machine does not have.
    """
    return list(_steps(sets, solved, situation))


def _steps(sets: SolvedSets, solved: Solved, situation: Situation) -> Iterator[Step]:
    behaviour, complaint = sets.behaviour, situation.complaint
    column, words = behaviour.column[complaint], wording(behaviour.machine, complaint)
    told = complaint_chances(solved.values[column], words)[:, 0]
    told = np.broadcast_to(told, (N_MANNERS, len(told)))  # at home it may have stood otherwise
    yield Factor(complaint, YES, column, -1, told, -1, 0, told, 0.0, 0)
    for number, epoch in enumerate(situation.past):
        for finding in epoch.findings:
            yield _finding(sets, solved, situation, finding, number)
        yield transition(sets, epoch.repair)
        if epoch.repair.check is not None:
            yield from _checked(sets, solved, complaint, epoch.repair.check, number + 1)
    for finding in situation.findings:
        yield _finding(sets, solved, situation, finding, len(situation.past), doubted=True)


def _checked(
    sets: SolvedSets, solved: Solved, complaint: str, shown: str, number: int
) -> Iterator[Factor]:
    """What trying the machine after a repair showed.

    Raises:
        UnknownNameError: it cannot show that.
    """
    results = check_results(sets.behaviour.machine, complaint)
    if shown not in results and shown not in sets.behaviour.machine.complaints:
        raise UnknownNameError("check", shown, results)
    shown_so = shown_chances(sets.behaviour, solved, complaint, shown)
    names = (check_name(number), told_name(number))
    for name, (column, chance) in zip(names, shown_so, strict=False):
        yield Factor(name, shown, column, -1, chance, -1, 0, chance, 0.0, number)


def check_name(number: int) -> str:
    """What the check after a repair is called among the things seen; they count from 1."""
    return f"check_{number}"


def told_name(number: int) -> str:
    """The same of what does not show on trying, and was gone."""
    return f"told_{number}"


def transition(sets: SolvedSets, done: RepairDone) -> Transition:
    """What a repair does to the faults.

    Raises:
        UnknownNameError: there is none of that name.
    """
    machine, faults = sets.behaviour.machine, sets.behaviour.faults
    part = machine.parts.get(done.part)
    repair = next((r for r in part.repairs if r.id == done.repair), None) if part else None
    if part is None or repair is None:
        names = [f"{p.id}.{r.id}" for p in machine.parts.values() for r in p.repairs]
        raise UnknownNameError("repair", f"{done.part}.{done.repair}", names)
    mends = repair.puts_right(part.id)
    fixed = [mode in mends.get(name, ()) for name, mode in faults]
    new = new_part_modes(machine, part, repair)
    bad = {f: new[fault] for f, fault in enumerate(faults) if fault in new}
    return Transition(np.array([*fixed, False]), bad)


def _finding(
    sets: SolvedSets,
    solved: Solved,
    situation: Situation,
    finding: Finding,
    repairs_before: int,
    *,
    doubted: bool = False,
) -> Factor:
    """A finding; what is not sure is spread over all outcomes (outcome confidence, IEEE 1232)."""
    columns = sets.columns
    number = list(sets.behaviour.machine.tests).index(finding.test)
    test = columns.tests[number]
    outcomes = [outcome.id for outcome in test.outcomes]
    column = int(columns.column[number])

    def chance(outcome: str) -> Floats:
        place = outcomes.index(outcome)
        of_cause: Floats = columns.by_cause[number][:, place]
        return of_cause if column < 0 else solved.chances.of_outcome(number, place)

    plain = chance(finding.outcome)
    share, rest, state = plain, 1.0 / len(outcomes), finding.outcome
    if finding.reading is not None:
        shift = volts_to_add(sets.behaviour.machine, test, situation.temperature_celsius)
        number_read = finding.reading + shift
        share = by_manner(
            lambda values: reading_likelihood(test, number_read, values), solved.values[column]
        )
        rest, state = slip_density(test), READING
    elif finding.sure < 1.0:
        state = UNSURE
    own = test.slip_percent / 100.0
    slips = Slips(1.0 - finding.sure * (1.0 - own), rest, own, len(outcomes))
    like, slipped = finding.sure * share + (1.0 - finding.sure) * rest, None
    if finding.confirmed or finding.others:
        like, slipped = all_looks(finding, like, slips, chance)
    return Factor(
        node=finding.test,
        state=state,
        column=column,
        cause=int(columns.cause[number]),
        like=like,
        test=number,
        outcome=outcomes.index(finding.outcome),
        plain=plain,
        slip=slips.first * rest,
        by_luck=0.0 if finding.reading is not None else slips.first * rest / (1.0 - slips.first),
        slipped=slipped,
        repairs_before=repairs_before,
        may_be_doubted=doubted and not finding.confirmed,
    )
