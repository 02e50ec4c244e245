"""Courses of faults that were met: of a machine, before any job, and in one story."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tests.referees.proposals import Backgrounds
from tests.referees.shop import Priors
from tests.referees.story import Story, Teller

if TYPE_CHECKING:
    from tests.referees.bench import Bench
    from tests.referees.story import Course

MOST_CORES = 600
FLAT = 0.3
"""Share of the draws that start from cores by the square root of their weight."""
NOTHING_WRONG = 0.02
"""Share of the draws that start from a machine with nothing wrong, so that all can be drawn."""


class Pool:
    """Courses of a machine without repairs, weighed again in every story."""

    def __init__(self, bench: Bench, n_drawn: int, seed: int) -> None:
        """All single faults and pairs, and `n_drawn` sets of more, drawn with causes there."""
        self.bench, self.priors = bench, Priors(bench)
        self.rng = np.random.default_rng(seed)
        n = len(bench.faults)
        part = bench.part_of
        pairs = (p for p in combinations(range(n), 2) if part[p[0]] != part[p[1]])
        self.courses: list[Course] = [(), *((f,) for f in range(n)), *pairs]
        teller = Teller(bench, self.priors, Story(next(iter(bench.machine.complaints))))
        backgrounds = Backgrounds(teller)
        drawn: dict[Course, None] = {}
        while len(drawn) < n_drawn:
            added = backgrounds.add([()] * 4000, self.rng)
            drawn |= dict.fromkeys(one for one in added if 3 <= len(one) <= 6)
        self.courses += list(drawn)[:n_drawn]
        bench.rows(self.courses)

    def teller(self, story: Story) -> Teller:
        """Who weighs courses in a story of this machine."""
        return Teller(self.bench, self.priors, story)


class Met:
    """Courses met in one story, each weighed once."""

    def __init__(self, teller: Teller) -> None:
        self.teller = teller
        self.weight: dict[Course, float] = {}

    def meet(self, courses: list[Course]) -> None:
        """Weigh those not met before."""
        new = [one for one in dict.fromkeys(courses) if one not in self.weight]
        if new:
            self.weight |= dict(zip(new, self.teller.weigh(new).weight.tolist(), strict=True))

    def heavy(self, share: float) -> list[Course]:
        """Courses with at least this share of what was met, the heaviest first."""
        least = share * sum(self.weight.values())
        found = [one for one, weight in self.weight.items() if weight >= least > 0]
        return sorted(found, key=lambda one: -self.weight[one])

    def cores(self) -> dict[Course, float]:
        """Where draws start."""
        chosen = sorted(self.weight, key=lambda one: -self.weight[one])[:MOST_CORES]
        weight = np.array([self.weight[one] for one in chosen])
        flat = np.sqrt(weight)
        share = (1 - FLAT) * weight / weight.sum() + FLAT * flat / flat.sum()
        found = dict(zip(chosen, ((1 - NOTHING_WRONG) * share).tolist(), strict=True))
        found[()] = found.get((), 0.0) + NOTHING_WRONG
        return found
