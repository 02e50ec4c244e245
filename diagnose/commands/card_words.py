"""What stands on a wall card: steps numbered, in workshop words, every number from the engine."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from diagnose.ahead.policy_tree import GoOn, HandOver, RepairLeaf, TreeStep, steps
from diagnose.faults.outcomes import cause_chances, outcome_chances
from diagnose.paper import words
from diagnose.paper.words import minutes_words, share_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.ahead.policy_tree import Branch, PolicyTree, Then
    from diagnose.commands.card_walk import Walked
    from diagnose.machine.model import Machine, Test
    from diagnose.rule.costs import Costs
    from diagnose.rule.prepared import Prepared

HASH_DIGITS = 10
HOW_TO_READ = (
    "Percentages: of all jobs that come with this complaint. Begin at step 1, everything closed, "
    "battery at 20 degrees Celsius. A result that is not listed: go on with the tool."
)
SAFETY = (
    "The maker's manual and the shop's own rules come before this card. Nobody near moving parts; "
    "a safety switch is bridged for a test only."
)

Style = Literal["title", "subtitle", "step", "detail", "way", "alone", "body"]


class Paragraph(NamedTuple):
    """Words set in one style; `then` follows them in plain letters."""

    style: Style
    text: str
    then: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """Everything on the card, before it is laid out.

    The steps stand in the order of their numbers; `first` is what to do when there is none.
    """

    title: str
    tree: PolicyTree
    head: tuple[Paragraph, ...]
    steps: tuple[tuple[Paragraph, ...], ...]
    first: Paragraph
    foot: tuple[Paragraph, ...]


def make_card(prepared: Prepared, complaint: str, tree: PolicyTree) -> Card:
    """The card of a complaint's policy tree."""
    machine, costs = prepared.machine, prepared.costs
    tests = list(steps(tree.root))
    letters = _letters(machine, costs, tree.root, tests)
    numbers = {id(step): number for number, step in enumerate(tests, 1)}
    good = prepared.behaviour.readings([()])[0]
    ground = _ground(machine, costs, tests)
    writer = _Writer(prepared, costs, good, numbers, letters, ground)
    said = machine.complaints[complaint].title
    version = f"Version {machine.version}, file {machine.content_hash[:HASH_DIGITS]}"
    cautions = [f"{letter}  {machine.cautions[name].text}" for name, letter in letters.items()]
    return Card(
        title=f"{machine.title}: {said}",
        tree=tree,
        head=(
            Paragraph("title", machine.title),
            Paragraph("subtitle", said),
            Paragraph(
                "body", " ".join([f"{version}.", HOW_TO_READ, *_once(machine, costs, tests)])
            ),
        ),
        steps=tuple(tuple(writer.step(step)) for step in tests),
        first=Paragraph("alone", writer.then(tree.root)),
        foot=tuple(Paragraph("body", text) for text in (_covers(tree), SAFETY, *cautions)),
    )


def _letters(
    machine: Machine, costs: Costs, root: Then, tests: Sequence[TreeStep]
) -> Mapping[str, str]:
    """A letter for each caution of the tests and repairs on the card, in their order."""
    names = _of_repair(machine, costs, root)
    for step in tests:
        names += machine.tests[costs.tests.names[step.test]].cautions
        for branch in step.branches:
            names += _of_repair(machine, costs, branch.then)
    return {name: chr(ord("A") + place) for place, name in enumerate(dict.fromkeys(names))}


def _of_repair(machine: Machine, costs: Costs, then: Then) -> list[str]:
    """Cautions of the repair that a branch ends in; none where it ends otherwise."""
    if not isinstance(then, RepairLeaf):
        return []
    repair = words.repair_of(machine, costs.repairs.names[then.repair])
    return [] if repair is None else list(repair[1].cautions)


def _ground(machine: Machine, costs: Costs, tests: Sequence[TreeStep]) -> str:
    """Where the second probe goes most often; empty where it goes nowhere twice."""
    probes = (machine.tests[costs.tests.names[step.test]].probes for step in tests)
    often = Counter(pair[1] for pair in probes if pair is not None).most_common(1)
    return often[0][0] if often and often[0][1] > 1 else ""


def _once(machine: Machine, costs: Costs, tests: Sequence[TreeStep]) -> Iterable[str]:
    """What is said once for all steps: the tools, where the second probe goes."""
    names = (machine.tests[costs.tests.names[step.test]].tool for step in tests)
    titles = [machine.tools[name].title for name in dict.fromkeys(names) if name != words.NO_TOOL]
    if titles:
        yield f"To hand: {'; '.join(titles)}."
    ground = _ground(machine, costs, tests)
    if ground:
        yield f"Black probe and lamp's clip on {machine.nets[ground]} where nothing else is said."


def _covers(tree: PolicyTree) -> str:
    """What the card covers, and what it leaves to the tool."""
    left_out = ""
    if tree.least_covered == 0.0:
        left_out = ", tests that no repair here follows"
    elif tree.least_covered > 0.0:
        left_out = f", tests that bring up to {100.0 * tree.least_covered:.1f} % to a repair"
    return (
        f"{share_words(tree.covered)} of jobs come to a repair here, {share_words(tree.fixed)} end "
        f"with it. Left to the tool: results of fewer than {share_words(tree.least_share)} of jobs"
        f"{left_out}, more than {words.count_words(tree.levels, 'test')} in a row, and what is "
        "still there after the repair."
    )


def walked_words(walked: Walked) -> str:
    """What simulated jobs came to that went down a card."""
    return (
        f"{walked.jobs} simulated jobs went down this card: {share_words(walked.covered)} came to "
        f"a repair, {share_words(walked.fixed)} ended with it (give or take "
        f"{100.0 * walked.error:.1f} %)."
    )


def figures(card: Card, walked: Walked | None) -> dict[str, float | None]:
    """What a card is worth, in numbers."""
    tree = card.tree
    return {
        "levels": tree.levels,
        "steps": len(card.steps),
        "least_share": tree.least_share,
        "least_covered": max(tree.least_covered, 0.0),
        "covered": tree.covered,
        "fixed": tree.fixed,
        "jobs": walked.jobs if walked else 0,
        "covered_of_jobs": walked.covered if walked else None,
        "fixed_of_jobs": walked.fixed if walked else None,
    }


def figures_words(card: Card, walked: Walked | None) -> str:
    """The same in words."""
    tree = card.tree
    played = f"\n{walked_words(walked)}" if walked else ""
    return (
        f"{len(card.steps)} steps; {100.0 * tree.covered:.0f} % of jobs come to a repair, "
        f"{100.0 * tree.fixed:.0f} % end with it{played}"
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Writer:
    """Puts a tree into words.

    Attributes:
        good: (observables, 2) what the good machine shows.
        number: identity of a step -> its number on the card.
        letters: caution -> its letter.
        ground: net of the second probe that is not said again; empty for none.
    """

    prepared: Prepared
    costs: Costs
    good: NDArray[np.float64]
    number: Mapping[int, int]
    letters: Mapping[str, str]
    ground: str

    def step(self, step: TreeStep) -> Iterable[Paragraph]:
        """One test: what to do, the details, and a line or two for each way on."""
        test = self.prepared.machine.tests[self.costs.tests.names[step.test]]
        yield Paragraph("step", f"{test.title} ({share_words(step.share)})")
        yield Paragraph("detail", " ".join(self._details(test, step)))
        for branch in step.branches:
            if not isinstance(branch.then, GoOn):
                yield self._way(test, branch)

    def _details(self, test: Test, step: TreeStep) -> Iterable[str]:
        """Where to probe, what it should read, what it takes."""
        machine, names = self.prepared.machine, self.costs.area_names
        if test.probes is not None:
            first, second = ("Tip", "clip") if test.kind == "lamp" else ("Red", "black")
            at, against = (machine.nets[net] for net in test.probes)
            also = "" if test.probes[1] == self.ground else f", {second} on {against}"
            yield f"{first} on {at}{also}."
        yield f"Good: {self._good(test)}."
        opens = [area for number, area in enumerate(names) if step.opens >> number & 1]
        first = f". First: {words.area_words(machine, opens)}" if opens else ""
        yield f"{minutes_words(step.minutes)}{first}.{self._mind(test.cautions)}"

    def _good(self, test: Test) -> str:
        """What the test shows when nothing is wrong: the number, and the outcome in words."""
        if test.cause is not None:
            absent, _ = cause_chances(test)
            return test.outcomes[int(np.argmax(absent))].title
        both = self.good[self.prepared.behaviour.column_of(test)]
        seen = test.outcomes[int(np.argmax(outcome_chances(test, both)))].title
        return f"{words.reading_words(float(both[0]), test.unit)} ({seen})" if test.unit else seen

    def _mind(self, cautions: Iterable[str]) -> str:
        letters = ", ".join(self.letters[name] for name in cautions)
        return f" Mind {letters}." if letters else ""

    def _way(self, test: Test, branch: Branch) -> Paragraph:
        seen = "; ".join(test.outcomes[outcome].title for outcome in branch.outcomes)
        return Paragraph("way", f"{seen}: {share_words(branch.share)}", self.then(branch.then))

    def then(self, then: Then) -> str:
        """What follows."""
        if isinstance(then, TreeStep):
            return f"step {self.number[id(then)]}"
        if isinstance(then, GoOn):
            return "go on with the tool"
        if isinstance(then, HandOver):
            return "hand over to the maker's specialist"
        machine, target = self.prepared.machine, self.costs.repairs.names[then.repair]
        repair = words.repair_of(machine, target)
        ends = share_words(then.fixed / then.share)
        return (
            f"REPAIR {words.action_words(machine, 'repair', target)}: ends {ends} of these."
            f"{self._mind(repair[1].cautions if repair is not None else ())}"
        )
