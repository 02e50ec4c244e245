"""The gate's first decisions for a complaint as a tree, with how many jobs go each way.

Every share is exact, but for what the search for fault sets left out; nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from diagnose.ahead.bench import minutes_of
from diagnose.ahead.expected import Expected, gate_action

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.ahead.bench import Bench

LEAST_SHARE = 0.01
"""Outcomes that fewer jobs come to are not followed."""


MOST_AT_ONCE = 3
"""So many tests are left out together at most: a branch is thinned from its ends."""


@dataclass(frozen=True, slots=True)
class RepairLeaf:
    """The gate repairs here.

    Attributes:
        repair: its number.
        share: of all jobs that come here.
        fixed: of all jobs, those in which the machine runs after it.
        minutes: of the repair, opening of what is not open yet and the check included.
    """

    repair: int
    share: float
    fixed: float
    minutes: float


@dataclass(frozen=True, slots=True)
class HandOver:
    """The gate hands over to the maker's specialist here."""

    share: float


@dataclass(frozen=True, slots=True)
class GoOn:
    """The tree ends here: too deep, or too few jobs."""

    share: float


@dataclass(frozen=True, slots=True)
class Branch:
    """Outcomes of a test that lead the same way.

    Attributes:
        outcomes: their numbers.
        rare: whether they are here because few jobs come to each of them.
        then: what follows.
    """

    outcomes: tuple[int, ...]
    rare: bool
    then: Then

    @property
    def share(self) -> float:
        """Of all jobs that come this way."""
        return self.then.share


@dataclass(frozen=True, slots=True)
class TreeStep:
    """The gate tests here.

    Attributes:
        test: its number.
        share: of all jobs that come here.
        minutes: of the test, opening of what is not open yet included.
        opens: areas to open first, as bits.
        branches: where its outcomes lead, most jobs first, rare ones last.
    """

    test: int
    share: float
    minutes: float
    opens: int
    branches: tuple[Branch, ...]


Then = TreeStep | RepairLeaf | HandOver | GoOn


@dataclass(frozen=True, slots=True)
class PolicyTree:
    """The first decisions.

    Attributes:
        levels: tests in a row at most.
        least_share: outcomes that fewer jobs come to are not followed.
        root: the first.
        least_covered: tests were left out that bring up to so many jobs to a repair, each; below
            0, none were.
    """

    levels: int
    least_share: float
    root: Then
    least_covered: float = -1.0

    @property
    def covered(self) -> float:
        """Share of jobs that come to a repair in the tree."""
        return covered(self.root)

    @property
    def fixed(self) -> float:
        """Share of jobs that the repair in the tree ends."""
        return sum(one.fixed for one in leaves(self.root) if isinstance(one, RepairLeaf))


def leaves(then: Then) -> Iterator[Then]:
    """Where the tree ends."""
    if isinstance(then, TreeStep):
        for branch in then.branches:
            yield from leaves(branch.then)
    else:
        yield then


def covered(then: Then) -> float:
    """Share of all jobs that come to a repair from here on."""
    return sum(one.share for one in leaves(then) if isinstance(one, RepairLeaf))


def steps(then: Then) -> Iterator[TreeStep]:
    """All tests of a tree, each before what follows it."""
    if isinstance(then, TreeStep):
        yield then
        for branch in then.branches:
            yield from steps(branch.then)


def policy_tree(bench: Bench[Any], levels: int, least_share: float = LEAST_SHARE) -> PolicyTree:
    """The gate's decisions as a job begins.

    Args:
        bench: of the machine and the complaint.
        levels: tests in a row at most.
        least_share: outcomes that fewer jobs come to are not followed.
    """
    grower = _Grower(bench, Expected(bench, gate_action), least_share)
    return PolicyTree(levels, least_share, grower.grown(bench.start, 1.0, levels))


def thinner(tree: PolicyTree) -> PolicyTree:
    """The tree without a test, and the few behind it, that bring the fewest jobs to a repair.

    Tests count alike: what matters is the share of jobs for each test that goes, at most
    `MOST_AT_ONCE` of them. The first stays; a tree of one test comes back as it is.
    """
    behind = [(step, len(list(steps(step)))) for step in list(steps(tree.root))[1:]]
    few = [(covered(step) / count, step) for step, count in behind if count <= MOST_AT_ONCE]
    if not few:
        return tree
    worth, least = min(few, key=lambda pair: pair[0])
    root = _without(tree.root, least)
    return PolicyTree(tree.levels, tree.least_share, root, max(tree.least_covered, worth))


def _without(then: Then, gone: TreeStep) -> Then:
    """What follows, its branches in order again, with one test's place left open."""
    if then is gone:
        return GoOn(then.share)
    if not isinstance(then, TreeStep):
        return then
    kept = [
        Branch(branch.outcomes, branch.rare, _without(branch.then, gone))
        for branch in then.branches
        if not branch.rare
    ]
    rare = [branch for branch in then.branches if branch.rare]
    ordered = sorted(_merged(kept), key=lambda branch: -branch.share)
    return TreeStep(then.test, then.share, then.minutes, then.opens, (*ordered, *rare))


@dataclass(frozen=True, slots=True, eq=False)
class _Grower:
    """What a tree grows on."""

    bench: Bench[Any]
    gate: Expected
    least_share: float

    def grown(self, state: Any, share: float, levels: int) -> Then:
        """The tree from a state on."""
        costs, action = self.bench.costs, self.gate.action(state)
        if action == costs.hand_over:
            return HandOver(share)
        minutes = minutes_of(self.bench, state, action)
        if action >= costs.n_tests:
            repair = action - costs.n_tests
            fixed = share * self.bench.checks(state, repair)[0]
            return RepairLeaf(repair, share, fixed, minutes)
        if levels == 0:
            return GoOn(share)
        opened = int(costs.at(state.standing.open_areas).test_opens[action])
        opened &= ~state.standing.open_areas
        branches = self._branches(state, action, share, levels)
        return TreeStep(action, share, minutes, opened, branches)

    def _branches(self, state: Any, test: int, share: float, levels: int) -> tuple[Branch, ...]:
        rare: list[tuple[int, float]] = []
        found: list[Branch] = []
        for outcome, chance in enumerate(self.bench.chances(state, test)):
            few = share * chance < self.least_share
            after = None if few else self.bench.after_test(state, test, outcome)
            if after is None:
                rare.append((outcome, share * chance))
                continue
            then = self.grown(after, share * chance, levels - 1)
            found.append(Branch((outcome,), rare=False, then=then))
        merged = sorted(_merged(found), key=lambda one: -one.share)
        if rare:
            outcomes = tuple(outcome for outcome, _ in rare)
            rest = GoOn(sum(chance for _, chance in rare))
            merged.append(Branch(outcomes, rare=True, then=rest))
        return tuple(merged)


def _merged(branches: list[Branch]) -> list[Branch]:
    """Branches that end in the same way as one."""
    found: list[Branch] = []
    for one in branches:
        for place, other in enumerate(found):
            both = _joined(one.then, other.then)
            if both is not None:
                found[place] = Branch((*other.outcomes, *one.outcomes), rare=False, then=both)
                break
        else:
            found.append(one)
    return found


def _joined(one: Then, other: Then) -> Then | None:
    share = one.share + other.share
    if isinstance(one, RepairLeaf) and isinstance(other, RepairLeaf):
        if one.repair == other.repair:
            return RepairLeaf(one.repair, share, one.fixed + other.fixed, one.minutes)
        return None
    if isinstance(one, HandOver) and isinstance(other, HandOver):
        return HandOver(share)
    return GoOn(share) if isinstance(one, GoOn) and isinstance(other, GoOn) else None
