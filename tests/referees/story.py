"""A job as it was told: complaint, what was written down, what was repaired; and how likely it
is that one course of faults brings it about.

A *course* is what was wrong with the machine from the complaint to now: the faults it came with,
and the mode of each new part that was bad itself. It is written as an ascending tuple of numbers:
faults first, then for each repair the modes its new part may be in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from tests.referees import technician
from tests.referees.bench import NOTHING_WRONG, RUNS, SHOWN
from tests.referees.shop import bad_new_part, rest_after

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.machine.model import Machine, Test
    from tests.referees.bench import Bench, FaultSet
    from tests.referees.shop import Priors

Course = tuple[int, ...]

AT_REST_VOLTS = 0.05
"""A good battery that gives no current reads its own volts this closely."""


@dataclass(frozen=True)
class Written:
    """What was written down of a test: an outcome, or a number in the test's unit."""

    test: str
    outcome: str | None
    number: float | None = None
    sure: float = 1.0


@dataclass(frozen=True)
class Repaired:
    """A repair, and what trying the machine after it showed; None: not tried."""

    part: str
    repair: str
    shown: str | None


@dataclass(frozen=True)
class Story:
    """A job so far."""

    complaint: str
    steps: tuple[Written | Repaired, ...] = ()
    celsius: float = 20.0

    @property
    def repairs(self) -> list[Repaired]:
        return [step for step in self.steps if isinstance(step, Repaired)]

    @property
    def fresh(self) -> set[str]:
        """Tests written down since the last repair."""
        found: set[str] = set()
        for step in self.steps:
            found = set() if isinstance(step, Repaired) else found | {step.test}
        return found


@dataclass(frozen=True)
class Weighed:
    """Courses with their share in a story.

    Attributes:
        weight: (courses,) chance of the course together with all that was told.
        now: (courses,) row of the bench's readings as the machine stands now.
        sets: what is wrong now.
        stands: (courses, ways) chance of each way in which loose joints stand, given the course.
        causes: (courses, causes) chance that each cause is there, given the course.
    """

    weight: np.ndarray
    now: np.ndarray
    sets: list[FaultSet]
    stands: np.ndarray
    causes: np.ndarray


@dataclass(frozen=True)
class Teller:
    """Weighs courses in one story.

    Attributes:
        blur, power: to look around only: meters so many times worse, and all that was told taken
            to this power, so that what explains a part of it stands out.
    """

    bench: Bench
    priors: Priors
    story: Story
    blur: float = 1.0
    power: float = 1.0

    @cached_property
    def new_parts(self) -> list[dict[int, tuple[tuple[str, str], float]]]:
        """For each repair: number in a course -> fault of what is new, and its chance."""
        number = len(self.bench.faults)
        found = []
        for done in self.story.repairs:
            bad = bad_new_part(self.bench.machine, done.part, done.repair)
            found.append({number + i: pair for i, pair in enumerate(bad.items())})
            number += len(bad)
        return found

    @property
    def causes(self) -> list[str]:
        """Names of the shared causes, the tied ones last."""
        return [*self.priors.own, *self.priors.tied]

    def follow(self, course: Course) -> tuple[list[FaultSet], float]:
        """Fault sets from the complaint to now, and the chance of the new parts among them."""
        n = len(self.bench.faults)
        now = tuple(f for f in course if f < n)
        sets, chance = [now], 1.0
        for done, modes in zip(self.story.repairs, self.new_parts, strict=True):
            bad = [modes[f] for f in course if f in modes]
            now, right = rest_after(self.bench, now, done.part, done.repair)
            if len(bad) > 1 or (bad and not right):
                chance = 0.0
            elif bad:
                now = tuple(sorted((*now, self.bench.number[bad[0][0]])))
                chance *= bad[0][1]
            elif right:
                chance *= 1.0 - sum(share for _, share in modes.values())
            sets.append(now)
        return sets, chance

    def course(self, faults: FaultSet, new: Sequence[tuple[str, str] | None]) -> Course:
        """The course of a machine that came with these faults.

        Args:
            faults: what was wrong at first.
            new: for each repair the fault of what is new, None where that is good.
        """
        bad = [
            number
            for faults_of, fault in zip(self.new_parts, new, strict=True)
            for number, (name, _) in faults_of.items()
            if name == fault
        ]
        return (*faults, *bad)

    def weigh(self, courses: Sequence[Course]) -> Weighed:
        """How likely each course is together with all that was told."""
        followed = [self.follow(course) for course in courses]
        stretches = [self.bench.rows(sets) for sets in zip(*(s for s, _ in followed), strict=True)]
        joint = self.priors.weights([sets[0] for sets, _ in followed])
        joint *= np.array([chance for _, chance in followed])[:, None]
        joint = joint[:, None, :] * np.array(list(technician.LEFT_ALONE.values()))[None, :, None]
        joint *= told(self.bench, self.story.complaint, stretches[0])[:, None, None] ** self.power
        after = 0
        for step in self.story.steps:
            if isinstance(step, Repaired):
                after += 1
                if step.shown is not None:
                    joint *= self.tried(step.shown, stretches[after])[:, :, None] ** self.power
            else:
                sets = [one[after] for one, _ in followed]
                joint *= self._likelihood(step, stretches[after], sets) ** self.power
        weight = joint.sum(axis=(1, 2))
        now = [sets[-1] for sets, _ in followed]
        share = joint / np.maximum(weight, 1e-300)[:, None, None]
        causes = np.hstack([share.sum(axis=1) @ self.priors.combos, self._tied(now)])
        return Weighed(weight, stretches[-1], now, share.sum(axis=2), causes)

    def tried(self, shown: str, rows: np.ndarray) -> np.ndarray:
        """(rows, ways) chance that the check shows something, where that is what is looked for.

        A complaint shows wherever it fits, whatever else fits too. That it runs is seen by trying
        it; and what does not show on trying has been looked for besides, if it was complained of.
        """
        bench, complaint = self.bench, self.story.complaint
        results = len(bench.results(complaint))
        if shown in bench.machine.complaints:
            return technician.shown(self._share(bench.column[shown], 1, rows), results)
        at = self._share(bench.column[SHOWN], bench.shown.index(shown), rows)
        chance = technician.shown(at, results)
        if shown == RUNS and complaint not in bench.shown:
            fits = self._share(bench.column[complaint], 1, rows)
            chance = chance * (1 - technician.shown(fits, results))
        return chance

    def _share(self, column: int, shown: int, rows: np.ndarray) -> np.ndarray:
        """(rows, ways) share of the time that a column of the bench shows something."""
        values = (self.bench.values[rows, column] == shown).astype(float)
        ways = technician.as_it_stands(None, values, self.bench.loose(rows))
        return np.stack([own.mean(axis=1) for own in ways], axis=1)

    def _tied(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets, tied causes) 1 where a cause is there."""
        there = [[cause in self.priors.tied_there(s) for cause in self.priors.tied] for s in sets]
        return np.array(there, dtype=float).reshape(len(sets), len(self.priors.tied))

    def _likelihood(self, step: Written, rows: np.ndarray, sets: list[FaultSet]) -> np.ndarray:
        """(courses, ways or 1, combinations or 1)"""
        test = self.bench.machine.tests[step.test]
        if step.number is not None:
            number = step.number + self.cold(test)
            density = np.stack(
                [
                    technician.number_density(test, number, own, self.blur)
                    for own in self._ways(test, rows)
                ],
                axis=1,
            )
            return technician.unsure(density, step.sure, technician.anywhere(test))[:, :, None]
        outcome = [o.id for o in test.outcomes].index(str(step.outcome))
        if test.cause is None:
            chance = self.by_way(test, rows)[:, :, outcome, None]
        elif test.cause in self.priors.own:
            there = self.priors.combos[:, self.priors.own.index(test.cause)].astype(float)
            chance = technician.cause_chances(test, there)[None, None, :, outcome]
        else:
            there = self._tied(sets)[:, self.priors.tied.index(test.cause)]
            chance = technician.cause_chances(test, there)[:, None, outcome, None]
        return technician.unsure(chance, step.sure, 1.0 / len(test.outcomes))

    def outcomes(self, test: Test, weighed: Weighed) -> np.ndarray:
        """(courses, outcomes) of a test of the machine itself, were it done now."""
        return np.einsum("cw,cwo->co", weighed.stands, self.by_way(test, weighed.now))

    def by_way(self, test: Test, rows: np.ndarray) -> np.ndarray:
        """(rows, ways, outcomes) of a test of the machine itself."""
        each = [technician.outcome_chances(test, own) for own in self._ways(test, rows)]
        return np.stack(each, axis=1)

    def _ways(self, test: Test, rows: np.ndarray) -> list[np.ndarray]:
        values = self.bench.values[rows, self.bench.column_of(test)]
        return technician.as_it_stands(test, values, self.bench.loose(rows))

    def cold(self, test: Test) -> float:
        """What the cold takes from a reading, to be added to it."""
        return cold_of(self.bench, test, self.story.celsius)


def told(bench: Bench, complaint: str, rows: np.ndarray) -> np.ndarray:
    """(rows,) chance of the customer's words."""
    return technician.told(
        bench.values[rows, bench.column[complaint]],
        bench.values[rows, bench.column[NOTHING_WRONG]],
        bench.machine.complaints[complaint].words_fit_percent,
        len(bench.machine.complaints) - 1,
    )


def posts(machine: Machine) -> dict[str, tuple[str, str]]:
    """Battery -> nets of its posts; what stands for its charge lies between cells and a post."""
    found = {}
    for battery in machine.parts.values():
        if battery.kind != "battery":
            continue
        ends = [battery.terminals["plus"], battery.terminals["minus"]]
        for part in machine.parts.values():
            nets = list(part.terminals.values()) if part.kind == "charge" else []
            for inner in [net for net in nets if net in ends][:1]:
                ends[ends.index(inner)] = next(net for net in nets if net != inner)
        found[battery.id] = ends[0], ends[1]
    return found


def cold_of(bench: Bench, test: Test, celsius: float) -> float:
    """Volts to add to a reading of the battery before it is compared with one at 20 degrees."""
    rested = False
    for battery, ends in posts(bench.machine).items():
        if test.kind == "volts" and test.probes == ends:
            good = bench.values[bench.rows([()])[0], bench.column_of(test), 0]
            emf = bench.machine.parts[battery].emf_volts
            rested = bool(abs(good - emf) < AT_REST_VOLTS)
    return technician.volts_lost_to_cold(bench.machine, test, celsius, rested=rested)
