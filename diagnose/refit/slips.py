"""Slips, and new parts that were bad: from what whole orders make of them.

Neither is seen as such. How likely the orders are is worked out with the machine's figures times
some factors; the posterior of the factor follows from there by adding up over a grid, with a gamma
prior of mean 1 in its way. Of slips the slope of the likelihood is enough, kind by kind: by
Fisher's identity it is the slips expected, given everything, less those that the figure stands for.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.machine.model import NEW_PART
from diagnose.machine.overlay import mean_slip
from diagnose.refit.counts import INTERVAL, RARE_CASES, SLIP_CASES, Counted
from diagnose.refit.forecast import forecasts
from diagnose.rule.prepared import prepared

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.machine.model import Machine
    from diagnose.machine.overlay import Overlay
    from diagnose.refit.patterns import Counted as Told
    from diagnose.refit.patterns import Pattern

Floats = NDArray[np.float64]

FACTORS = (0.4, 1.0, 2.5, 6.0)
"""By these the file's figures are multiplied; between them it is interpolated."""

LEAST, MOST, POINTS = 0.1, 12.0, 400
"""Factors that are thought possible, and points between them."""

MOST_ORDERS = 2000
"""Of more orders so many are drawn: they tell these figures well enough."""


def sample_of(told: Told, seed: int = 1) -> tuple[list[Pattern], Floats]:
    """Patterns and how many orders each stands for, thinned by chance where there are many.

    Args:
        told: the patterns.
        seed: of the random numbers.
    """
    counts: Floats = told.counts.astype(np.float64)
    if told.orders > MOST_ORDERS:
        rng = np.random.default_rng(seed)
        drawn = rng.multinomial(MOST_ORDERS, counts / counts.sum())
        counts = np.asarray(drawn * (told.orders / MOST_ORDERS), dtype=np.float64)
    kept = np.flatnonzero(counts > 0.0)
    return [told.patterns[place] for place in kept.tolist()], counts[kept]


def slips_of(machine: Machine, overlay: Overlay, told: Told) -> dict[str, Counted]:
    """Kind of test -> share of slips.

    Args:
        machine: as its file has it.
        overlay: what was fitted; its slips are those in use before.
        told: the orders.
    """
    patterns, counts = sample_of(told)
    kinds = sorted({test.kind for test in machine.tests.values()})
    mean = {k: overlay.slip_percent.get(k, 100.0 * mean_slip(machine, k)) for k in kinds}
    names = [test.kind for test in machine.tests.values()]
    at = np.array([kinds.index(kind) for kind in names])
    cases, hits, own = (np.zeros((len(FACTORS), len(kinds))) for _ in range(3))
    for row, factor in enumerate(FACTORS):
        slips: dict[str, float] = {k: min(value * factor, 60.0) for k, value in mean.items()}
        ready = prepared(replace(overlay, slip_percent=slips).applied(machine))
        share = np.array([test.slip_percent / 100.0 for test in ready.machine.tests.values()])
        for forecast, count in zip(
            forecasts(ready, patterns, surprises=False), counts.tolist(), strict=True
        ):
            real = forecast.tests >= 0
            tests = forecast.tests[real]
            np.add.at(cases[row], at[tests], count)
            np.add.at(hits[row], at[tests], count * forecast.slips[real])
            np.add.at(own[row], at[tests], count * share[tests])
    found = dict[str, Counted]()
    for place, kind in enumerate(kinds):
        n, shipped = float(cases[0, place]), mean[kind] / 100.0
        if n > 0.0 and shipped > 0.0:
            # Slips less what the figure stands for: the slope by the factor's logarithm.
            slope = hits[:, place] - own[:, place]
            value, low, high = posterior_of(_summed(slope), SLIP_CASES * shipped)
            raw = hits[1, place] / n
            found[kind] = Counted(
                value * shipped, low * shipped, high * shipped, shipped, round(n), float(raw)
            )
    return found


def bad_new_parts(machine: Machine, overlay: Overlay, told: Told) -> Counted:
    """Share of new parts that were bad themselves; arguments as of `slips_of`."""
    shipped = overlay.new_part_bad_per_1000
    if shipped is None:
        shipped = machine.shop.new_part_bad_per_1000
    shipped = min(max(shipped / 1000.0, 1e-5), 0.05)
    some, every = sample_of(told)
    fitted = np.array([_new_parts(pattern) for pattern in some])
    patterns = [some[place] for place in np.flatnonzero(fitted).tolist()]
    counts, cases = every[fitted > 0], round(float(fitted @ every))
    log_like = np.zeros(len(FACTORS))
    if patterns:
        for row, factor in enumerate(FACTORS):
            bad = 1000.0 * shipped * factor
            ready = prepared(replace(overlay, new_part_bad_per_1000=bad).applied(machine))
            each = [
                float(np.log(own.chances).sum())
                for own in forecasts(ready, patterns, surprises=False)
            ]
            log_like[row] = float(counts @ np.array(each))
    value, low, high = posterior_of(_curve(log_like), RARE_CASES * shipped)
    raw = float("nan")
    return Counted(value * shipped, low * shipped, high * shipped, shipped, cases, raw)


def _new_parts(pattern: Pattern) -> int:
    return sum(epoch.repair.repair == NEW_PART for epoch in pattern.situation.past)


def _summed(slope: Floats) -> Callable[[Floats], Floats]:
    """A log likelihood over the logarithm of a factor, from its slope at `FACTORS`."""
    x = np.log(np.array(FACTORS))

    def at(points: Floats) -> Floats:
        # Slips and what the figure stands for grow with the factor: nearly straight lines in it.
        line = np.interp(np.exp(points), FACTORS, slope)
        low, high = points < x[0], points > x[-1]
        line[low] = slope[0] * np.exp(points[low] - x[0])
        end = (slope[-1] - slope[-2]) / (FACTORS[-1] - FACTORS[-2])
        line[high] = slope[-1] + end * (np.exp(points[high]) - FACTORS[-1])
        each = 0.5 * (line[1:] + line[:-1]) * np.diff(points)
        return np.concatenate([np.zeros(1), np.cumsum(each)])

    return at


def _curve(log_like: Floats) -> Callable[[Floats], Floats]:
    """A log likelihood between its values at `FACTORS`: k ln f - e f + c + d f^2 through them."""
    f = np.array(FACTORS)
    terms = np.linalg.solve(np.stack([np.log(f), f, np.ones(4), f**2], axis=1), log_like)

    def at(points: Floats) -> Floats:
        g = np.exp(points)
        found: Floats = terms[0] * points + terms[1] * g + terms[3] * g**2
        return found

    return at


def posterior_of(log_like: Callable[[Floats], Floats], worth: float) -> tuple[float, float, float]:
    """Mean and 90 % interval of a factor.

    Args:
        log_like: over (points,) logarithms of the factor, ascending.
        worth: cases that the prior, a gamma of mean 1, is worth.
    """
    points = np.linspace(np.log(LEAST), np.log(MOST), POINTS)
    height = log_like(points) + worth * (points - np.exp(points))
    mass = np.exp(height - height.max())
    below = np.cumsum(mass) / mass.sum()
    tail = (1.0 - INTERVAL) / 2.0
    low, high = (float(np.exp(np.interp(q, below, points))) for q in (tail, 1.0 - tail))
    return float(np.exp(points) @ mass / mass.sum()), low, high
