"""What stands on a wall card: steps numbered, in workshop words, every number from the engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.commands import words
from diagnose.decision.machine_problem import column_of
from diagnose.decision.policy_tree import GoOn, HandOver, RepairLeaf, TreeStep, steps

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from diagnose.decision.policy_tree import Branch, PolicyTree, Then
    from diagnose.decision.problem import DecisionProblem
    from diagnose.decision.ready_problems import ReadyProblems
    from diagnose.machine.model import Machine, Test

ANYTHING_ELSE = "anything else"
GO_ON = "go on with the tool"
HASH_DIGITS = 10


@dataclass(frozen=True, slots=True)
class Way:
    """One line below a step: what was seen, how many jobs that is, what then.

    Attributes:
        seen: the outcomes in words.
        share: of all jobs.
        then: what to do.
        step: number of the step that follows, 0 when none does.
    """

    seen: str
    share: float
    then: str
    step: int


@dataclass(frozen=True, slots=True)
class CardStep:
    """One test on the card.

    Attributes:
        number: of the step, from 1.
        share: of all jobs that come here.
        title: what to do.
        details: where to probe, what it should read, what it takes; each a sentence or two.
        minutes: opening of what is not open yet included.
        ways: what follows.
    """

    number: int
    share: float
    title: str
    details: tuple[str, ...]
    minutes: float
    ways: tuple[Way, ...]


@dataclass(frozen=True, slots=True)
class Card:
    """Everything on the card, before it is laid out.

    Attributes:
        title, complaint, version: the head.
        steps: in the order of their numbers; empty when the job begins with something else.
        first: what to do when there is no step.
        levels, least_share, least_covered, covered, fixed: of the tree.
        cautions: letter and text.
    """

    title: str
    complaint: str
    version: str
    steps: tuple[CardStep, ...]
    first: str
    levels: int
    least_share: float
    least_covered: float
    covered: float
    fixed: float
    cautions: tuple[tuple[str, str], ...]


def make_card(ready: ReadyProblems, complaint: str, tree: PolicyTree) -> Card:
    """The card of a tree.

    Args:
        ready: the machine's decision problems.
        complaint: id of the complaint.
        tree: its policy tree.
    """
    machine, problem = ready.machine, ready.problem(complaint)
    tests = list(steps(tree.root))
    number = {id(one): place for place, one in enumerate(tests, 1)}
    letters = _letters(machine, problem, tests)
    writer = _Writer(ready, problem, number, letters)
    return Card(
        title=machine.title,
        complaint=machine.complaints[complaint].title,
        version=f"version {machine.version}, file {machine.content_hash[:HASH_DIGITS]}",
        steps=tuple(writer.step(one) for one in tests),
        first="" if tests else writer.then(tree.root)[0],
        levels=tree.levels,
        least_share=tree.least_share,
        least_covered=tree.least_covered,
        covered=tree.covered,
        fixed=tree.fixed,
        cautions=tuple((letter, machine.cautions[name].text) for name, letter in letters.items()),
    )


def _letters(
    machine: Machine, problem: DecisionProblem, tests: Iterable[TreeStep]
) -> Mapping[str, str]:
    """A letter for each caution of the tests and repairs on the card, in their order."""
    found: dict[str, str] = {}
    for one in tests:
        names = list(machine.tests[problem.tests.names[one.test]].cautions)
        for branch in one.branches:
            if isinstance(branch.then, RepairLeaf):
                repair = words.repair_of(machine, problem.repairs.names[branch.then.repair])
                names += repair[1].cautions if repair is not None else ()
        for name in names:
            found.setdefault(name, chr(ord("A") + len(found)))
    return found


def share_words(share: float) -> str:
    """`64 %`, of all jobs; never rounded to none."""
    return "<1 %" if 0.0 < share < 0.005 else f"{100.0 * share:.0f} %"


@dataclass(frozen=True, slots=True, eq=False)
class _Writer:
    """Puts a tree into words."""

    ready: ReadyProblems
    problem: DecisionProblem
    number: Mapping[int, int]
    letters: Mapping[str, str]

    def step(self, one: TreeStep) -> CardStep:
        """One test."""
        test = self.ready.machine.tests[self.problem.tests.names[one.test]]
        return CardStep(
            number=self.number[id(one)],
            share=one.share,
            title=test.title,
            details=tuple(self._details(test, one)),
            minutes=one.minutes,
            ways=tuple(self._way(test, branch) for branch in one.branches),
        )

    def _details(self, test: Test, one: TreeStep) -> list[str]:
        machine = self.ready.machine
        found = []
        if test.probes is not None:
            first, second = ("Tip", "clip") if test.kind == "lamp" else ("Red", "black")
            at, against = (machine.nets[net] for net in test.probes)
            found.append(f"{first} on {at}, {second} on {against}.")
        found.append(f"Good: {self.good(test)}.")
        tool = "" if test.tool == words.NO_TOOL else f", {machine.tools[test.tool].title}"
        effort = f"{words.minutes_words(one.minutes)}{tool}"
        names = self.problem.area_names
        opens = [area for number, area in enumerate(names) if one.opens >> number & 1]
        if opens:
            effort += f". First: {words.area_words(machine, opens)}"
        found.append(f"{effort}.{self._mind(test.cautions)}")
        return found

    def good(self, test: Test) -> str:
        """What the test shows when nothing is wrong: the number, and the outcome in words."""
        tables, number = self.problem.tables, self.problem.tests.names.index(test.id)
        columns = slice(int(tables.start[number]), int(tables.start[number + 1]))
        seen = test.outcomes[int(np.argmax(tables.like[0, columns]))].title
        if test.unit is None:
            return seen
        typical = self.ready.space.readings(column_of(self.ready.behaviour, test))[0, 0]
        return f"{words.reading_words(float(typical), test.unit)} ({seen})"

    def _mind(self, cautions: Iterable[str]) -> str:
        found = [self.letters[name] for name in cautions]
        return f" Mind {', '.join(found)}." if found else ""

    def _way(self, test: Test, branch: Branch) -> Way:
        titles = [test.outcomes[outcome].title for outcome in branch.outcomes]
        seen = ANYTHING_ELSE if branch.rare else "; ".join(titles)
        then, step = self.then(branch.then)
        return Way(seen, branch.share, then, step)

    def then(self, then: Then) -> tuple[str, int]:
        """What follows, and the number of the step when it is one."""
        if isinstance(then, TreeStep):
            number = self.number[id(then)]
            return f"step {number}", number
        if isinstance(then, RepairLeaf):
            return self._repair(then), 0
        return (GO_ON, 0) if isinstance(then, GoOn) else (self._hand_over(then), 0)

    def _repair(self, then: RepairLeaf) -> str:
        machine = self.ready.machine
        found = words.repair_of(machine, self.problem.repairs.names[then.repair])
        assert found is not None  # noqa: S101 - the problem's repairs are the machine's
        part, repair = found
        ends = share_words(then.fixed / then.share)
        return (
            f"REPAIR {words.part_words(machine, part)}: {repair.title}. Ends it in {ends} of "
            f"these.{self._mind(repair.cautions)}"
        )

    @staticmethod
    def _hand_over(_: HandOver) -> str:
        return "hand over to the maker's specialist"
