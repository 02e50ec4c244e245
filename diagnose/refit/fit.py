"""Rates that fit the orders best: conditional maximum a posteriori, with its uncertainty.

Each rate's prior is a gamma around the shipped one, worth `cases` cases: its logarithm over the
shipped one, x, has `ln p(x) = a x - a exp(x) + a ln a - ln Gamma(a)`. The overall scale is left to
machines with several faults, and held in what is reported. The spread `1 / sqrt(a)`, the same
for all, is chosen by the evidence in Laplace's approximation (MacKay 1992), on a grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log, pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from diagnose.refit.evidence import run_pass

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from diagnose.refit.evidence import Evidence, Passed
    from diagnose.refit.model import RateModel

    Run = Callable[[NDArray[np.float64]], Passed]

Floats = NDArray[np.float64]

SPREADS = (0.15, 0.2, 0.28, 0.4, 0.57, 0.8, 1.1)
"""Spreads of the rates around the shipped ones that are tried."""

USUAL_SPREAD, SPREAD_OF_SPREADS = 0.4, 0.5
"""Before any order is seen, the spread is taken to be log-normal around the first, with the second
as standard deviation of its logarithm: 0.4 is an equivalent sample of 6.25 cases. Estimates."""

OFF_BY = 0.8
"""Intervals take the shipped rates to be off by no less than this, as a standard deviation of the
logarithm, however near to them a few orders let the fit stay. Estimate."""

FACTOR_SPREAD = 0.5
"""How far a cause's factor may be off, as a standard deviation of its logarithm. Estimate."""

SCALE_SPREAD = 1.0
"""How far the sum of all rates may be off, as a standard deviation of its logarithm. The sum tells
how often machines have several faults, and nothing else: it takes up what the fit leaves out of
the largest sets, and is not reported. Rates are counted by jobs, so what is reported is scaled
back to the shipped sum."""

FARTHEST = 5.0
"""No rate is fitted farther from the shipped one than this, as a logarithm: 150 times."""

STEP = 1e-3
"""Step of the differences that give the observed information."""

TOLERANCE, ROUGHLY, MOST_PASSES = 1e-4, 1e-2, 1000
"""The fit ends where no slope is steeper, by standard deviations of the rates, or after so many
passes; while the spread is chosen, the second does."""


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What is taken to be known before any order.

    Attributes:
        cases: (parameters,) what each rate's shipped value is worth.
        scale_spread: see `SCALE_SPREAD`.
    """

    cases: Floats
    scale_spread: float = SCALE_SPREAD


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Fitted rates.

    Attributes:
        log_ratio: (parameters,) logarithm of each rate over the shipped one, as fitted.
        information: (parameters, parameters) observed, of the logarithms, where the density is
            highest under a prior as wide as the spread and no narrower than `OFF_BY`; less what is
            shared with customers' words, where those are fitted too.
        prior_information: (parameters, parameters) of that prior alone.
        spread: chosen.
        log_evidence: of each spread tried.
        log_likelihood: of the orders, given that they came.
        slope: largest that is left.
        passes: over the orders.
    """

    log_ratio: Floats
    information: Floats
    prior_information: Floats
    spread: float
    log_evidence: dict[float, float]
    log_likelihood: float
    slope: float
    passes: int


@dataclass(frozen=True, slots=True, eq=False)
class Scaled:
    """Rates counted by jobs: their sum is the shipped one.

    Attributes:
        log_ratio: (parameters,) logarithm of each rate over the shipped one.
        covariance: (parameters, parameters) of them.
        prior_covariance: (parameters, parameters) the same before any order.
    """

    log_ratio: Floats
    covariance: Floats
    prior_covariance: Floats

    @property
    def learnt(self) -> Floats:
        """(parameters,) `1 - posterior / prior variance`, 0 to 1."""
        own = np.diag(self.covariance) / np.diag(self.prior_covariance)
        return np.clip(1.0 - own, 0.0, 1.0)


def scaled(model: RateModel, fitted: Fitted) -> Scaled:
    """Fitted rates, scaled to the shipped sum; shared causes are counted by themselves."""
    move, found = _to_shipped_sum(model, fitted.log_ratio)
    return Scaled(
        found,
        move @ _inverse(fitted.information) @ move.T,
        move @ _inverse(fitted.prior_information) @ move.T,
    )


def _to_shipped_sum(model: RateModel, x: Floats) -> tuple[Floats, Floats]:
    """(parameters, parameters) derivatives of rates scaled to the shipped sum, and those rates."""
    share, off = _scale(model, x)
    move, found = np.eye(model.n), x.copy()
    move[: model.n_faults, : model.n_faults] -= share[None, :]
    found[: model.n_faults] -= off
    return move, found


def _inverse(information: Floats) -> Floats:
    found = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return np.asarray(0.5 * (found + found.T), dtype=np.float64)


def log_prior(model: RateModel, prior: Prior, x: Floats) -> tuple[float, Floats]:
    """The prior's logarithm, and its (parameters,) slope.

    Args:
        model: of the rates.
        prior: see `Prior`.
        x: (parameters,) logarithms of the rates over the shipped ones.
    """
    a = prior.cases
    known = np.array([value * log(value) - lgamma(value) for value in a.tolist()])
    value = float(np.sum(a * x - a * np.exp(x) + known))
    share, off = _scale(model, x)
    held = 1.0 / prior.scale_spread**2
    value -= 0.5 * held * off**2
    found = np.zeros(len(x))
    found += a - a * np.exp(x)
    found[: model.n_faults] -= held * off * share
    return value, found


def prior_information(model: RateModel, prior: Prior, x: Floats) -> Floats:
    """(parameters, parameters) minus the prior's second derivatives."""
    found = np.diag(prior.cases * np.exp(x))
    share, off = _scale(model, x)
    held, n = 1.0 / prior.scale_spread**2, model.n_faults
    bend = np.diag(share) - np.outer(share, share)
    found[:n, :n] += held * (np.outer(share, share) + off * bend)
    return found


def _scale(model: RateModel, x: Floats) -> tuple[Floats, float]:
    """(faults,) share of each in the sum of all rates, and the logarithm of that over shipped."""
    rates = model.marginal * np.exp(x[: model.n_faults])
    total = float(rates.sum())
    return rates / total, log(total / float(model.marginal.sum()))


def fit_rates(
    model: RateModel,
    run: Run,
    prior: Prior,
    begin: Floats | None = None,
    *,
    orders: int = 0,
    tolerance: float = TOLERANCE,
) -> tuple[Floats, int, float, float]:
    """The rates with the highest posterior density.

    Args:
        model: of the rates.
        run: a pass over the orders.
        prior: see `Prior`.
        begin: (parameters,) where to begin; default: the shipped rates.
        orders: how many there are, nearly; it only makes the steps better.
        tolerance: see `TOLERANCE`.

    Returns:
        (parameters,) logarithms over the shipped ones, passes, the largest slope left, and the
        logarithm of the posterior density there.
    """
    x0 = np.zeros(model.n) if begin is None else begin
    # Steps are measured in standard deviations, or nearly so: rates with many cases are stiff.
    often = np.append(model.shipped / model.shipped.sum(), np.zeros(len(model.raises)))
    unit = 1.0 / np.sqrt(prior.cases + orders * often)

    def negative(y: Floats) -> tuple[float, Floats]:
        x = y * unit
        passed = run(x)
        value, bend = log_prior(model, prior, x)
        return -(passed.log_likelihood + value), -(passed.slope + bend) * unit

    found = minimize(
        negative,
        x0 / unit,
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(-FARTHEST / unit, FARTHEST / unit, strict=True)),
        options={"maxiter": MOST_PASSES, "gtol": tolerance, "ftol": 1e-13, "maxcor": 30},
    )
    slope = float(np.abs(found.jac / unit).max())
    return found.x * unit, int(found.nfev), slope, -float(found.fun)


def information_of(run: Run, x: Floats) -> Floats:
    """(parameters, parameters) observed information of the orders, from differenced slopes.

    Args:
        run: a pass over the orders.
        x: (parameters,) where.
    """
    n = len(x)
    found = np.empty((n, n))
    for place in range(n):
        step = np.zeros(n)
        step[place] = STEP
        found[place] = (run(x - step).slope - run(x + step).slope) / (2.0 * STEP)
    return 0.5 * (found + found.T)


def laplace(log_density: float, information: Floats) -> float:
    """Logarithm of the integral of a density, from its peak and the information there.

    Args:
        log_density: at the peak.
        information: (n, n) minus the second derivatives there.
    """
    sign, log_det = np.linalg.slogdet(information)
    if sign <= 0.0:
        return -np.inf
    return log_density + 0.5 * len(information) * log(2.0 * pi) - 0.5 * float(log_det)


def _log_hyperprior(spread: float) -> float:
    off = (log(spread) - log(USUAL_SPREAD)) / SPREAD_OF_SPREADS
    return -0.5 * off**2


def fit(
    evidence: Evidence,
    run: Run | None = None,
    spreads: Sequence[float] = SPREADS,
    scale_spread: float = SCALE_SPREAD,
) -> Fitted:
    """Fit rates, the spread among those tried by Laplace evidence.

    The information of the orders is worked out at the best rates of the middle spread and of the
    one chosen; between them it hardly changes.

    Args:
        evidence: the patterns.
        run: a pass over them; default: here.
        spreads: to be tried; one alone is taken as it is.
        scale_spread: see `SCALE_SPREAD`.
    """
    model, go = evidence.model, run or (lambda x: run_pass(evidence, x))
    tried, passes = list[_Tried](), 0
    begin, observed = np.zeros(model.n), None
    for spread in _from_middle(spreads):
        prior = usual_prior(model, spread, scale_spread)
        x, used, _, density = fit_rates(
            model, go, prior, begin, orders=evidence.orders, tolerance=ROUGHLY
        )
        if observed is None:
            observed, begin = information_of(go, x), x
            used += 2 * model.n
        passes += used
        information = observed + prior_information(model, prior, x)
        value = laplace(density, information) + _log_hyperprior(spread)
        tried.append(_Tried(spread, value, x, information))
    best = max(tried, key=lambda own: own.log_evidence)
    prior = usual_prior(model, best.spread, scale_spread)
    x, used, slope, _ = fit_rates(model, go, prior, best.x, orders=evidence.orders)
    wide = usual_prior(model, max(best.spread, OFF_BY), scale_spread)
    at = fit_rates(model, go, wide, x, orders=evidence.orders)[0] if best.spread < OFF_BY else x
    own = prior_information(model, wide, at)
    return Fitted(
        log_ratio=x,
        information=information_of(go, at) + own,
        prior_information=own,
        spread=best.spread,
        log_evidence={each.spread: each.log_evidence for each in sorted(tried)},
        log_likelihood=go(x).log_likelihood,
        slope=slope,
        passes=passes + used + 2 * model.n + 1,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """What a spread gave."""

    spread: float
    log_evidence: float
    x: Floats
    information: Floats

    def __lt__(self, other: _Tried) -> bool:
        return self.spread < other.spread


def usual_prior(
    model: RateModel, spread: float = USUAL_SPREAD, scale_spread: float = SCALE_SPREAD
) -> Prior:
    """The prior of a model's rates, all as far off as each other, and of its factors."""
    factors = np.full(len(model.raises), 1.0 / FACTOR_SPREAD**2)
    return Prior(np.append(np.full(model.n_rates, 1.0 / spread**2), factors), scale_spread)


def _from_middle(spreads: Sequence[float]) -> list[float]:
    """The spreads, the usual one first."""
    return sorted(map(float, spreads), key=lambda spread: abs(log(spread / USUAL_SPREAD)))
