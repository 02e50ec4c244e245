"""What is wrong now, and what tests would show: by weighing drawn courses of faults.

Nothing is left out by decision. Courses met while looking around are summed as they are; for all
the rest there are draws, each weighed by its own chance over the chance of drawing it, so that the
sum is right on average whatever was or was not met. Every figure has a standard error from the
spread of those weights and from independent replicas that looked around each for itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tests.referees import technician
from tests.referees.pool import Met, Pool
from tests.referees.proposals import Backgrounds, subsets
from tests.referees.story import Repaired, Story

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.referees.bench import Bench
    from tests.referees.story import Course, Teller, Weighed

MOST_BEGINNINGS = 4
AFAR = ((10.0, 0.4), (4.0, 0.7), (1.5, 1.0))
"""How bad the meters are to look from afar, and how much all that was told counts there."""
MOST_LED = 1500
WORTH_A_LOOK = 3e-5
"""Share of a course whose own subsets are weighed as well."""


@dataclass(frozen=True)
class Effort:
    """How much is drawn.

    Attributes:
        rounds, draws: looking around: so many rounds of so many draws.
        afar: rounds with each of the bad meters before that.
        batch: draws that are weighed together; so many are added until it is exact enough.
        error: largest standard error that is exact enough.
        batches: most batches.
        alone: share that no single draw may stand for.
        replicas: independent repetitions.
    """

    rounds: int = 2
    draws: int = 800
    afar: int = 1
    batch: int = 2000
    error: float = 0.001
    batches: int = 6
    alone: float = 0.002
    replicas: int = 2


ENOUGH = Effort()
"""Standard errors of a thousandth."""


@dataclass(frozen=True)
class Figures:
    """Chances with standard errors.

    Attributes:
        names: of suspects as (part, mode), of outcomes as (test, outcome).
        chance, error: (names,)
        apart: largest distance between two replicas.
        log_evidence: natural logarithm of the chance of all that was told.
        summed: share of the probability that was met and summed, not drawn.
        draws_worth: effective sample size of the draws that stand for the rest.
    """

    names: list[tuple[str, str]]
    chance: np.ndarray
    error: np.ndarray
    apart: float
    log_evidence: float
    summed: float
    draws_worth: float

    def __getitem__(self, name: tuple[str, str]) -> float:
        return float(self.chance[self.names.index(name)])


def weigh(
    pool: Pool,
    story: Story,
    effort: Effort = ENOUGH,
    seed: int = 0,
    hints: Sequence[Course] = (),
) -> Figures:
    """Chances of every suspect, and of every outcome of each test, as the machine stands now.

    Args:
        pool: of the machine.
        story: what was told.
        effort: how much is drawn.
        seed: of all draws.
        hints: courses to be looked at in any case, such as what is really wrong.
    """
    teller = pool.teller(story)
    backgrounds = Backgrounds(teller)
    first = Met(teller)
    _from_pool(pool, first)
    first.meet([part for hint in hints for part in subsets(hint)])
    replicas = []
    for replica in range(effort.replicas):
        rng = np.random.default_rng((seed, replica))
        met = Met(teller)
        met.weight = dict(first.weight)
        _from_afar(met, backgrounds, effort, rng)
        for _ in range(effort.rounds):
            _look_around(met, backgrounds, effort.draws, rng)
        replicas.append(_estimate(met, backgrounds, effort, rng))
    return _together(pool, replicas)


def _from_afar(
    met: Met, backgrounds: Backgrounds, effort: Effort, rng: np.random.Generator
) -> None:
    """Look around with bad meters first: what explains a part leads to what explains all."""
    leading = met.heavy(1e-4)
    for blur, power in AFAR:
        soft = Met(replace(met.teller, blur=blur, power=power))
        soft.meet([(), *leading[:MOST_LED]])
        for _ in range(effort.afar):
            _look_around(soft, backgrounds, effort.draws, rng)
        leading = sorted(soft.weight, key=lambda one: -soft.weight[one])
    met.meet(leading[:MOST_LED])
    met.meet([part for one in met.heavy(WORTH_A_LOOK) for part in subsets(one)])


def _from_pool(pool: Pool, met: Met) -> None:
    """Courses of the pool that the first stretch of the story does not speak against much."""
    story = met.teller.story
    steps = []
    for step in story.steps:
        if isinstance(step, Repaired):
            break
        steps.append(step)
    early = pool.teller(Story(story.complaint, tuple(steps), story.celsius))
    weight = early.weigh(pool.courses).weight
    keep = np.flatnonzero(weight > 1e-7 * weight.max())
    if len(steps) == len(story.steps):
        met.weight = {pool.courses[i]: float(weight[i]) for i in keep}
        return
    met.meet([pool.courses[i] for i in keep])
    new = [f for modes in met.teller.new_parts for f in modes]
    leading = met.heavy(1e-3)[:60] or [()]
    met.meet([tuple(sorted((*one, f))) for one in [(), *leading] for f in new])


def _look_around(met: Met, backgrounds: Backgrounds, draws: int, rng: np.random.Generator) -> None:
    cores = met.cores()
    met.meet(backgrounds.add(_choose(cores, draws, rng), rng))
    met.meet([part for one in met.heavy(WORTH_A_LOOK) for part in subsets(one)])


def _choose(cores: Mapping[Course, float], n: int, rng: np.random.Generator) -> list[Course]:
    names = list(cores)
    share = np.array(list(cores.values()))
    return [names[i] for i in rng.choice(len(names), n, p=share / share.sum())]


def _estimate(
    met: Met, backgrounds: Backgrounds, effort: Effort, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """(total, each figure's sum), standard errors, share summed, effective sample size.

    Where one draw alone stands for much, a kind of course was not met before that should have
    been: everything drawn counts as met then, and the drawing begins anew.
    """
    for attempt in range(MOST_BEGINNINGS):
        known = [one for one, weight in met.weight.items() if weight > 0]
        base = _sums(met.teller, met.teller.weigh(known))
        drawn = _Drawn(met, backgrounds, met.cores())
        total, error = base, np.zeros(len(base) - 1)
        for _ in range(effort.batches):
            drawn.more(effort.batch, rng)
            total, error = _ratio(base, drawn)
            if error.max() < effort.error or drawn.greatest() > effort.alone * total[0]:
                break
        if attempt + 1 == MOST_BEGINNINGS or drawn.greatest() <= effort.alone * total[0]:
            break
        met.meet(drawn.courses)
        _look_around(met, backgrounds, effort.draws, rng)
    return total, error, float(base[0] / total[0]), drawn.worth()


class _Drawn:
    """Draws of courses that were not met, each with its weight over the chance of drawing it."""

    def __init__(self, met: Met, backgrounds: Backgrounds, cores: dict[Course, float]) -> None:
        self.met, self.backgrounds, self.cores = met, backgrounds, cores
        self.n = 0
        self.courses: list[Course] = []
        self.ratios: list[float] = []
        self.shown: list[np.ndarray] = []
        self._known: dict[Course, tuple[float, np.ndarray]] = {}

    def more(self, n: int, rng: np.random.Generator) -> None:
        """So many draws more; most are of courses met."""
        self.n += n
        drawn = self.backgrounds.add(_choose(self.cores, n, rng), rng)
        outside = [one for one in drawn if one not in self.met.weight]
        new = [one for one in dict.fromkeys(outside) if one not in self._known]
        if new:
            weighed = self.met.teller.weigh(new)
            shown = _shown(self.met.teller, weighed)
            for row, one in enumerate(new):
                ratio = float(weighed.weight[row]) / self.backgrounds.chance(one, self.cores)
                self._known[one] = ratio, shown[row]
        self.courses += outside
        self.ratios += [self._known[one][0] for one in outside]
        self.shown += [self._known[one][1] for one in outside]

    def greatest(self) -> float:
        """What the heaviest draw stands for."""
        return max(self.ratios, default=0.0) / max(self.n, 1)

    def worth(self) -> float:
        """Effective sample size."""
        ratios = np.array(self.ratios)
        return float(ratios.sum() ** 2 / max((ratios**2).sum(), 1e-300))


def _ratio(base: np.ndarray, drawn: _Drawn) -> tuple[np.ndarray, np.ndarray]:
    """Sums of met and drawn, and the standard error of each figure (a ratio, by its gradient)."""
    if not drawn.ratios:
        return base, np.zeros(len(base) - 1)
    weights, shown, n = np.array(drawn.ratios), np.array(drawn.shown), drawn.n
    total = base.copy()
    total[0] += weights.sum() / n
    total[1:] += weights @ shown / n
    chance = total[1:] / total[0]
    first = (weights @ shown - weights.sum() * chance) / n
    second = ((weights**2) @ (shown - chance) ** 2) / n
    return total, np.sqrt(np.maximum(second - first**2, 0.0) / n) / total[0]


def _sums(teller: Teller, weighed: Weighed) -> np.ndarray:
    return np.concatenate([[weighed.weight.sum()], weighed.weight @ _shown(teller, weighed)])


def _shown(teller: Teller, weighed: Weighed) -> np.ndarray:
    """(courses, figures) which faults are there now, and the chance of every outcome."""
    bench = teller.bench
    there = np.zeros((len(weighed.sets), len(bench.faults)))
    for row, one in enumerate(weighed.sets):
        there[row, list(one)] = 1.0
    blocks = [there]
    for test in bench.machine.tests.values():
        if test.cause is None:
            blocks.append(teller.outcomes(test, weighed))
        else:
            cause = weighed.causes[:, teller.causes.index(test.cause)]
            blocks.append(technician.cause_chances(test, cause))
    return np.hstack(blocks)


def names_of(bench: Bench) -> list[tuple[str, str]]:
    """Names of all figures, in their order."""
    tests = bench.machine.tests.values()
    return [*bench.faults, *((test.id, o.id) for test in tests for o in test.outcomes)]


def _together(pool: Pool, replicas: list[tuple[np.ndarray, np.ndarray, float, float]]) -> Figures:
    totals = np.array([total for total, _, _, _ in replicas])
    each = totals[:, 1:] / totals[:, :1]
    chance = each.mean(axis=0)
    within = np.sqrt(sum(error**2 for _, error, _, _ in replicas)) / len(replicas)
    between = np.zeros_like(chance)
    if len(replicas) > 1:
        between = each.std(axis=0, ddof=1) / np.sqrt(len(replicas))
    return Figures(
        names=names_of(pool.bench),
        chance=chance,
        error=np.maximum(within, between),
        apart=float(np.ptp(each, axis=0).max()),
        log_evidence=float(np.log(totals[:, 0].mean())),
        summed=float(np.mean([summed for _, _, summed, _ in replicas])),
        draws_worth=float(sum(worth for _, _, _, worth in replicas)),
    )
