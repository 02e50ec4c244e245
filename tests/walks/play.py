"""Play the walks: follow the advice to the end, let the machine at hand answer, keep the time.

`python -m tests.walks.play` plays all of them and prints a table; with names, or beginnings of
names, only those; with `--steps` every step as well. Only the public face of `Job` is used.

What counts as time: each test as the advice states it, what has to be opened for it, and closed
again, once in a job; each repair with its check. What counts as fitted in vain: a new part, or a
new length of wire, where nothing was wrong with the old one. A fuse that a short has blown is
spent; whoever mends the short fits a new one in the same go, and its minutes are counted.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from diagnose import Job
from diagnose.errors import ClashError
from tests.walks.machine_at_hand import CannotBeDoneError, MachineAtHand
from tests.walks.walk import HANDED_OVER, RUNS, all_walks

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from diagnose import Advice
    from diagnose.machine.model import Machine
    from tests.walks.walk import Walk

MOST_STEPS, MOST_MINUTES = 80, 400.0
"""After so many the technician has thrown the tool away."""

NEW_PART, NEW_LENGTH = "replace", "repair"
"""Repairs that put new material in."""

GIVEN_UP = "given_up"


@dataclass(frozen=True, slots=True)
class Played:
    """How a job went.

    Attributes:
        walk: the job.
        end: `runs`, `handed_over`, or what stopped it.
        minutes: labour.
        tests: tests in the order done.
        repairs: `part.repair` in the order done.
        fitted: parts that a new one, or a new length, was fitted of.
        in_vain: those of them that were good.
        left: faults that are still there.
        misread: the test that was misread, if one was.
        steps: what was done, line by line.
    """

    walk: Walk
    end: str
    minutes: float
    tests: tuple[str, ...]
    repairs: tuple[str, ...]
    fitted: tuple[str, ...]
    in_vain: tuple[str, ...]
    left: tuple[str, ...]
    misread: str | None
    steps: tuple[str, ...]

    def complaints(self) -> list[str]:
        """What is not as expected; empty when all is."""
        walk, told, machine = self.walk, list[str](), MachineAtHand.of(self.walk)
        if self.end != walk.end:
            told.append(f"ends {self.end}, not {walk.end}")
        if self.minutes > walk.limit_minutes:
            told.append(f"{self.minutes:.1f} min, not {walk.limit_minutes:g}")
        may_fit = {machine.box(part) for part in walk.may_fit}
        told += [f"{part} fitted" for part in self.fitted if machine.box(part) not in may_fit]
        done = {machine.same_work(repair) for repair in self.repairs}
        told += [f"no {repair}" for repair in walk.repairs if machine.same_work(repair) not in done]
        if walk.end == RUNS:
            told += [f"{fault} left" for fault in self.left if fault not in walk.may_stay]
        for group in walk.cleared:
            if not set(group) & set(self.tests):
                told.append(f"none of {', '.join(group)} done")
        return told


@dataclass(slots=True)
class Bench:
    """One job being played."""

    walk: Walk
    job: Job
    machine: MachineAtHand
    minutes: float = 0.0
    opened: set[str] = field(default_factory=set)
    tests: list[str] = field(default_factory=list)
    repairs: list[str] = field(default_factory=list)
    fitted: list[str] = field(default_factory=list)
    in_vain: list[str] = field(default_factory=list)
    misread: str | None = None
    steps: list[str] = field(default_factory=list)

    def work(self) -> str:
        """Follow the advice; returns how it ended."""
        try:
            self._in_passing()
            for _ in range(MOST_STEPS):
                advice = self.job.advise()
                end = self._step(advice)
                if end is not None:
                    return end
                if self.minutes > MOST_MINUTES:
                    break
        except CannotBeDoneError as error:
            self._note(str(error))
            return f"cannot {error.test}"
        except ClashError as error:
            self._note(f"clash: {error}")
            return "clash"
        return GIVEN_UP

    def _step(self, advice: Advice) -> str | None:
        action, target = advice.verdict.action, advice.verdict.target
        if action == "test":
            self._test(target, advice)
        elif action == "recheck":
            self._look_again(target)
        elif action == "repair":
            self._repair(*target.split("."))
        else:
            self._note(f"{action}: {advice.verdict.reason}")
            return RUNS if action == "done" else HANDED_OVER
        return None

    def _in_passing(self) -> None:
        if self.walk.slip is not None and self.walk.slip.in_passing:
            self._test(next(iter(self.walk.slip.misread)), self.job.advise())

    def _test(self, test: str, advice: Advice) -> None:
        """Do a test as advised; its area stands open from then on."""
        answer = self.machine.answer(test)
        slip = self.walk.slip
        if slip is not None and self.misread is None and test in slip.misread:
            self.misread, answer = test, slip.misread[test]
        minutes = next(known.minutes for known in advice.tests if known.test == test)
        area = self.machine.machine.tests[test].area
        if area is not None:
            self.job = self.job.open_area(area)
            opening(self.machine.machine, area, self.opened)
        self.job = self.job.record(test, answer)
        self.minutes += minutes
        self.tests.append(test)
        if self.machine.machine.tests[test].kind == "try":
            self.machine = self.machine.tried(answer)
        self._note(f"{test}: {answer}")

    def _look_again(self, test: str) -> None:
        """Once more with care; what it is opened for stands open."""
        answer = self.machine.answer(test)
        self.job = self.job.record_again(test, answer)
        self.minutes += self.machine.machine.tests[test].minutes
        self._note(f"again {test}: {answer}")

    def _repair(self, part: str, repair: str) -> None:
        """Do a repair and try the machine."""
        file, was_bad = self.machine.machine, self.machine.is_bad(part)
        shorted = self.machine.is_shorted()
        self.minutes += opening(file, file.parts[part].area, self.opened)
        self.minutes += self.machine.repair_of(part, repair).minutes + file.shop.check_minutes
        self.machine, check = self.machine.repair(part, repair)
        if shorted and not self.machine.is_shorted():
            self._fit_fuses()
        self.repairs.append(f"{part}.{repair}")
        if repair in (NEW_PART, NEW_LENGTH):
            self.fitted.append(part)
            self.in_vain += [] if was_bad else [part]
        self.job = repaired(self.job, part, repair, check)
        self._note(f"{part}.{repair}: {check}")

    def _fit_fuses(self) -> None:
        """A new fuse for each that the short has blown, before the machine is tried."""
        file = self.machine.machine
        for fuse in self.walk.blown:
            self.minutes += opening(file, file.parts[fuse].area, self.opened)
            self.minutes += self.machine.repair_of(fuse, NEW_PART).minutes

    def _note(self, words: str) -> None:
        self.steps.append(f"{self.minutes:6.1f}  {words}")


def opening(machine: Machine, area: str | None, opened: set[str]) -> float:
    """Minutes to open an area with what it lies in, and to close all that again at the end."""
    minutes = 0.0
    while area is not None and area not in opened:
        opened.add(area)
        minutes += machine.areas[area].open_minutes + machine.areas[area].close_minutes
        area = machine.areas[area].inside
    return minutes


def repaired(job: Job, part: str, repair: str, check: str) -> Job:
    """The job after a repair and the check that was made of it."""
    return job.repair(part, repair, check=check)


def play(walk: Walk) -> Played:
    """One job from complaint to end."""
    bench = Bench(walk, Job.open(walk.machine, complaint=walk.told), MachineAtHand.of(walk))
    end = bench.work()
    return Played(
        walk=walk,
        end=end,
        minutes=bench.minutes,
        tests=tuple(bench.tests),
        repairs=tuple(bench.repairs),
        fitted=tuple(bench.fitted),
        in_vain=tuple(bench.in_vain),
        left=bench.machine.faults,
        misread=bench.misread,
        steps=tuple(bench.steps),
    )


def table(walks: Sequence[Walk], tell: Callable[[str], object], *, steps: bool) -> int:
    """Play and print; returns how many went as expected."""
    width, good = max(len(walk.id) for walk in walks), 0
    tell(f"{'walk':{width}}  {'end':12} {'min':>6} {'limit':>5} {'in vain':>7}  as expected\n")
    for walk in walks:
        played = play(walk)
        wrong = "; ".join(played.complaints())
        good += not wrong
        tell(
            f"{walk.id:{width}}  {played.end:12} {played.minutes:6.1f} {walk.limit_minutes:5g} "
            f"{len(played.in_vain):7}  {f'no: {wrong}' if wrong else 'yes'}\n"
        )
        if steps:
            tell("".join(f"    {line}\n" for line in played.steps))
    tell(f"{good} of {len(walks)} as expected\n")
    return good


def main() -> None:
    """The table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("names", nargs="*", help="names of walks, or their beginnings")
    parser.add_argument("--steps", action="store_true", help="print every step")
    told = parser.parse_args()
    names = tuple(told.names)
    walks = [walk for walk in all_walks() if not names or walk.id.startswith(names)]
    table(walks, sys.stdout.write, steps=told.steps)


if __name__ == "__main__":
    main()
