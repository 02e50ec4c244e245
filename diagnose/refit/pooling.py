"""What machines of one kind, shops and seasons share: rates drawn towards each other.

Cases of a mode in one shop are Poisson around exposure times its rate; the rates of all shops are
a gamma around a common mean (Gaver & O'Muircheartaigh 1987). Mean and concentration are averaged
over by how likely the cases are under them; the concentration is held near `USUAL` by a log-normal
prior, so that a few shops that happen to agree are not taken for one. What each shop keeps of its
own figure is `cases / (cases + concentration)`, nearly; the figure by itself stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import gammaln
from scipy.stats import gamma

from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.refit.result import Refit

    Floats = NDArray[np.float64]

USUAL, SPREAD = 4.0, 1.0
"""Concentration that shops are taken to have before anything is seen: their rates differ by half;
and how far it may be off, as a standard deviation of its logarithm. Estimates."""

GRID = 21
"""Means, and concentrations, that are averaged over, three standard deviations out."""

TAIL = 0.05
"""Share of the posterior below an interval, and above."""


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """Rates of several units.

    Attributes:
        mean: of the rates of all units.
        concentration: cases that the common mean is worth.
        raw, raw_low, raw_high: (units,) by themselves, with their 90 % interval.
        rate, low, high: (units,) pooled, with theirs.
        kept: (units,) share of its own figure that each keeps.
    """

    mean: float
    concentration: float
    raw: Floats
    raw_low: Floats
    raw_high: Floats
    rate: Floats
    low: Floats
    high: Floats
    kept: Floats


def pool(cases: Floats, exposure: Floats) -> Pooled:
    """Pool the rates of units; what is not known of mean and concentration is averaged over.

    Args:
        cases: (units,) that came; need not be whole.
        exposure: (units,) cases that a rate of 1 leads one to expect, above 0.
    """
    k, e = np.asarray(cases, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    middle, best = _best(k, e, hyperprior=True)
    wide = 1.0 / np.sqrt(1.0 + 1.0 / (1.0 / (k.sum() + 0.5) + 1.0 / (best * len(k))))
    means = middle * np.exp(3.0 * wide * np.linspace(-1.0, 1.0, GRID))
    concentrations = best * np.exp(3.0 * SPREAD * np.linspace(-1.0, 1.0, GRID))
    weight, first, second = np.empty((GRID, GRID)), [], []
    for row, mean in enumerate(means.tolist()):
        for column, a in enumerate(concentrations.tolist()):
            weight[row, column] = _log_marginal(k, e, mean, a) + _log_hyperprior(a)
            rate = (k + a) / (e + a / mean)
            first.append(rate)
            second.append(rate**2 + rate / (e + a / mean))
    share = np.exp(weight - weight.max())
    share /= share.sum()
    rate = np.einsum("g,gu->u", share.ravel(), np.array(first))
    variance = np.einsum("g,gu->u", share.ravel(), np.array(second)) - rate**2
    shape = rate**2 / variance
    mean, a = float(share.sum(axis=1) @ means), float(share.sum(axis=0) @ concentrations)
    return Pooled(
        mean=mean,
        concentration=a,
        raw=k / e,
        raw_low=gamma.ppf(TAIL, k + 0.5) / e,
        raw_high=gamma.ppf(1.0 - TAIL, k + 0.5) / e,
        rate=rate,
        low=gamma.ppf(TAIL, shape) * variance / rate,
        high=gamma.ppf(1.0 - TAIL, shape) * variance / rate,
        kept=e / (e + a / mean),
    )


def best_gamma(cases: Floats, exposure: Floats) -> tuple[float, float]:
    """Mean and concentration under which the cases are likeliest; arguments as of `pool`."""
    k, e = np.asarray(cases, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    return _best(k, e, hyperprior=False)


def _best(k: Floats, e: Floats, *, hyperprior: bool) -> tuple[float, float]:
    def negative(y: Floats) -> float:
        mean, a = (float(value) for value in np.exp(y))
        return -_log_marginal(k, e, mean, a) - (_log_hyperprior(a) if hyperprior else 0.0)

    begin = np.log([(k.sum() + 0.5) / e.sum(), USUAL])
    found = minimize(negative, begin, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    mean, a = (float(value) for value in np.exp(found.x))
    return mean, a


def _log_hyperprior(concentration: float) -> float:
    return -0.5 * (float(np.log(concentration / USUAL)) / SPREAD) ** 2


def _log_marginal(k: Floats, e: Floats, mean: float, a: float) -> float:
    """Logarithm of the chance of all cases, the rates integrated out: a negative binomial."""
    b = a / mean
    each = gammaln(k + a) - gammaln(a) - gammaln(k + 1.0)
    each += a * np.log(b / (b + e)) + k * np.log(e / (b + e))
    return float(each.sum())


def pooled(refits: Mapping[str, Refit]) -> pd.DataFrame:
    """Rates of several refits, drawn towards each other by kind of part and mode.

    Each refit is of one shop, machine or season. Its figure counts for as many cases as its orders
    have told (information beyond the prior's); rates are over those in use.

    Args:
        refits: name -> refit.

    Returns:
        One row for each unit, part and mode: `unit`, `kind`, `part`, `mode`, `cases`, `raw`,
        `raw_low`, `raw_high`, `pooled`, `low`, `high`, `kept`, `concentration`.
    """
    rows = [row for name, done in refits.items() for row in _told(name, done)]
    names = ["unit", "kind", "part", "mode", "cases", "exposure"]
    table = pd.DataFrame(rows, columns=names)
    parts = [_pooled_rows(own) for _, own in table.groupby(["kind", "mode"], sort=True)]
    if not parts:
        return table.drop(columns="exposure")
    return pd.concat(parts, ignore_index=True)


def _pooled_rows(own: pd.DataFrame) -> pd.DataFrame:
    found = pool(own["cases"].to_numpy(np.float64), own["exposure"].to_numpy(np.float64))
    return own.drop(columns="exposure").assign(
        raw=found.raw,
        raw_low=found.raw_low,
        raw_high=found.raw_high,
        pooled=found.rate,
        low=found.low,
        high=found.high,
        kept=found.kept,
        concentration=found.concentration,
    )


def _told(name: str, done: Refit) -> list[tuple[str, str, str, str, float, float]]:
    """What a refit says of each mode: cases it rests on, and those the rates in use expect.

    With prior information p and posterior information t, the orders are worth t - p cases; the
    peak of their likelihood lies where it and the prior's draw give the fitted rate.
    """
    model, known = done.evidence.model, done.known
    told = 1.0 / np.diag(known.covariance) - 1.0 / np.diag(known.prior_covariance)
    cases, found = np.maximum(told, 1e-3), []
    prior = 1.0 / done.fitted.spread**2
    for number, (part, mode) in enumerate(model.faults):
        if part != UNLISTED:
            ratio = float(np.exp(known.log_ratio[number]))
            own = float(cases[number])
            # (cases + prior) / (exposure + prior) is the fitted ratio.
            came = max(own, 0.0)
            exposure = max((came + prior) / ratio - prior, 0.1 * own)
            kind = done.machine.parts[part].kind
            found.append((name, str(kind), part, mode, came, exposure))
    return found
