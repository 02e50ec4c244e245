"""How far customers' words can be trusted, from all orders, tried or not.

A machine that does what complaint c says is told as c with chance r_c, one that does something else
with (1 - r_c) / (complaints - 1). Whether a machine is tried depends on what was found before, so
counting told against seen where it was tried would count a choice. In the likelihood of whole
orders that choice drops out, as for the rates: with q the chances, given an order, that its words
fit, that they do not, and that the machine works,

    ln L(r) = sum_o ln(q_fit r / r0 + q_amiss (1 - r) / (1 - r0) + q_works) - orders ln D(r),

`D` the expected complaints about a machine, `r0` the shares under which the orders were worked out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import betaln, expit, logit

from diagnose.faults.outcomes import AMISS, FITS, NO_REASON
from diagnose.refit.counts import SHARE_CASES, Z_90, Counted
from diagnose.refit.evidence import entry_weights, joint
from diagnose.refit.model import at_rates

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.faults.solved import SolvedSets
    from diagnose.refit.evidence import Evidence
    from diagnose.refit.patterns import Pattern

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST, MOST = 0.02, 0.995
"""Shares are held between these: nobody is always misunderstood, or always understood."""

WORTHS, SPREAD_OF_WORTHS = (8.0, 20.0, 50.0, 120.0, 300.0), 1.0
"""Cases that the shipped shares may be worth, log-normal around `SHARE_CASES` with the second as
standard deviation of the logarithm. Estimates."""

STEP, RATE_STEP = 1e-4, 1e-3
"""Steps of the differences that give the information, in log odds and in logarithms of rates."""


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """What complaints say of fault sets.

    Attributes:
        names: of the complaints.
        fits, amiss: (sets, complaints) share of the time that the machine does what a complaint
            says, and that it does something else.
        of: (patterns,) number of the complaint told.
        right: (complaints,) shares of fitting words that the orders were worked out with.
    """

    names: tuple[str, ...]
    fits: Floats
    amiss: Floats
    of: Ints
    right: Floats


def make_said(sets: SolvedSets, evidence: Evidence, patterns: Sequence[Pattern]) -> Said:
    """What complaints say of the fault sets of some orders.

    Args:
        sets: of the machine.
        evidence: of the orders.
        patterns: those that it was made of.
    """
    behaviour, none = sets.behaviour, evidence.model.n_faults
    named = [tuple(f for f in row if f < none) for row in evidence.members.tolist()]
    solved = sets.with_sets(named)
    rows = np.array([solved.row(faults) for faults in named], dtype=np.int64)
    complaints = behaviour.machine.complaints
    values = [solved.readings(behaviour.column[name], rows) for name in complaints]
    number = {name: place for place, name in enumerate(complaints)}
    told = [number[patterns[row].situation.complaint] for row in evidence.of.tolist()]
    right = [complaint.words_fit_percent / 100.0 for complaint in complaints.values()]
    return Said(
        tuple(complaints),
        np.stack([(own == FITS).mean(axis=-1) for own in values], axis=1),
        np.stack([(own == AMISS).mean(axis=-1) for own in values], axis=1),
        np.array(told, dtype=np.int64),
        np.clip(np.array(right), LEAST, MOST),
    )


def told_chances(said: Said, right: Floats) -> Floats:
    """(sets, complaints) chance that each complaint is made of a machine.

    Args:
        said: see `Said`.
        right: (complaints,) shares of fitting words.
    """
    wrong = (1.0 - right) / max(len(right) - 1, 1)
    works = np.clip(1.0 - said.fits - said.amiss, 0.0, 1.0)
    found: Floats = said.fits * right + said.amiss * wrong + works * NO_REASON
    return found


def with_words(evidence: Evidence, said: Said, right: Floats) -> Evidence:
    """The same orders, worked out with other shares of fitting words."""
    before, after = told_chances(said, said.right), told_chances(said, right)
    rows = np.repeat(np.arange(len(evidence.counts)), np.diff(evidence.start))
    at = evidence.set_of[evidence.column], said.of[rows]
    return replace(
        evidence,
        like=evidence.like * after[at] / np.maximum(before[at], 1e-300),
        comes=evidence.kept * after.sum(axis=1),
    )


def words_of(
    evidence: Evidence, said: Said, log_ratio: Floats, shipped: Floats
) -> dict[str, Counted]:
    """Complaint -> share of fitting words, as `words_with`; rates held, so intervals are short."""
    return words_with(evidence, said, log_ratio, shipped, None)[0]


def words_with(
    evidence: Evidence,
    said: Said,
    log_ratio: Floats,
    shipped: Floats,
    information: Floats | None,
) -> tuple[dict[str, Counted], Floats | None]:
    """Complaint -> share of fitting words, and what is left of the information about the rates.

    Shares have the highest posterior density at these rates. The beta prior around the shipped
    shares is worth the same number of cases for all, chosen by the evidence among `WORTHS`;
    intervals are normal in the log odds and suppose no more than `SHARE_CASES`. Rates and shares
    take from each other what the orders tell of both: each keeps its Schur complement of the
    information.

    Args:
        evidence: orders, worked out with the shares in `said`.
        said: see `Said`.
        log_ratio: (parameters,) rates, see `diagnose.refit.evidence.run_pass`.
        shipped: (complaints,) shares to be drawn to.
        information: (parameters, parameters) about the rates, the shares held; None holds the
            rates.
    """
    posterior = _Words(evidence, said, log_ratio, np.clip(shipped, LEAST, MOST))
    n, tried = len(said.names), [posterior.best(worth) for worth in WORTHS]
    at = max(tried, key=lambda own: own[0])[1]
    posterior.worth = SHARE_CASES
    own, left = posterior.information(at), information
    if information is not None:
        both = _between(evidence, said, log_ratio, posterior.shipped, at)
        reduced = information - both.T @ np.linalg.solve(own, both)
        if np.linalg.eigvalsh(reduced)[0] > 0.0:
            own, left = own - both @ np.linalg.solve(information, both.T), reduced
    wide = np.sqrt(np.diag(np.linalg.inv(own)))
    cases = np.bincount(said.of, evidence.counts, n)
    found = {}
    for place, name in enumerate(said.names):
        value, low, high = expit(at[place] + Z_90 * wide[place] * np.array([0.0, -1.0, 1.0]))
        found[name] = Counted(
            float(value), float(low), float(high), float(posterior.shipped[place]),
            int(cases[place]), posterior.fitting(place),
        )  # fmt: skip
    return found, left


def _between(
    evidence: Evidence, said: Said, log_ratio: Floats, shipped: Floats, y: Floats
) -> Floats:
    """(complaints, parameters) minus the mixed second derivatives, from differenced slopes."""
    found = np.empty((len(y), len(log_ratio)))
    for place in range(len(log_ratio)):
        step = np.zeros(len(log_ratio))
        step[place] = RATE_STEP
        up, down = (_Words(evidence, said, log_ratio + s, shipped)(y)[1] for s in (step, -step))
        found[:, place] = (up - down) / (2.0 * RATE_STEP)
    return found


class _Words:
    """The posterior of the shares, as something to minimise over their log odds."""

    def __init__(self, evidence: Evidence, said: Said, log_ratio: Floats, shipped: Floats) -> None:
        """Work out what each order says of its words, at these rates."""
        table = joint(evidence, at_rates(evidence.model, log_ratio)).sum(axis=1) * evidence.kept
        self.comes_fits, self.comes_amiss = table @ said.fits, table @ said.amiss
        works = np.clip(1.0 - said.fits - said.amiss, 0.0, 1.0)
        self.comes_works = float((table @ works).sum()) * NO_REASON
        self.others = max(len(shipped) - 1, 1)
        self.of, self.counts, self.shipped = said.of, evidence.counts, shipped
        self.worth = SHARE_CASES
        rows, weight = entry_weights(evidence, log_ratio)
        at = evidence.set_of[evidence.column], said.of[rows]
        whole, r0 = np.maximum(told_chances(said, said.right)[at], 1e-300), said.right
        fits, wrong = said.fits * r0, said.amiss * (1.0 - r0) / self.others
        n = len(evidence.counts)
        self.q_fits = np.bincount(rows, weight * fits[at] / whole, n)
        self.q_amiss = np.bincount(rows, weight * wrong[at] / whole, n)
        self.right = r0[said.of]

    def best(self, worth: float) -> tuple[float, Floats]:
        """Laplace evidence of a prior worth so many cases, and the best log odds under it."""
        self.worth, begin = worth, logit(self.shipped)
        bounds = [(float(logit(LEAST)), float(logit(MOST)))] * len(begin)
        found = minimize(self, begin, jac=True, method="L-BFGS-B", bounds=bounds)
        known = betaln(worth * self.shipped, worth * (1.0 - self.shipped)).sum()
        log_det = np.linalg.slogdet(self.information(found.x))[1]
        off = np.log(worth / SHARE_CASES) / SPREAD_OF_WORTHS
        value = -float(found.fun) - float(known) - 0.5 * float(log_det) - 0.5 * float(off) ** 2
        return value, np.asarray(found.x, dtype=np.float64)

    def fitting(self, complaint: int) -> float:
        """Share of the orders told so whose words fit; NaN for none."""
        own = self.of == complaint
        if not own.any():
            return float("nan")
        return float(np.average(self.q_fits[own], weights=self.counts[own]))

    def __call__(self, y: Floats) -> tuple[float, Floats]:
        """Minus its logarithm, and the slope of that."""
        r, orders = expit(y), float(self.counts.sum())
        own, q_works = r[self.of], 1.0 - self.q_fits - self.q_amiss
        up, down = self.q_fits / self.right, self.q_amiss / (1.0 - self.right)
        each = up * own + down * (1.0 - own) + q_works
        comes = float(self.comes_fits @ r + self.comes_amiss @ (1.0 - r) / self.others)
        comes += self.comes_works
        prior = self.shipped * np.log(r) + (1.0 - self.shipped) * np.log1p(-r)
        value = float(self.counts @ np.log(each)) - orders * float(np.log(comes))
        by_r = np.bincount(self.of, self.counts * (up - down) / each, len(r))
        by_r -= orders * (self.comes_fits - self.comes_amiss / self.others) / comes
        slope = by_r * r * (1.0 - r) + self.worth * (self.shipped - r)
        return -value - self.worth * float(prior.sum()), -slope

    def information(self, y: Floats) -> Floats:
        """(complaints, complaints) of the log odds, from differenced slopes, the prior's too."""
        found = np.empty((len(y), len(y)))
        for place in range(len(y)):
            step = np.zeros(len(y))
            step[place] = STEP
            found[place] = (self(y + step)[1] - self(y - step)[1]) / (2.0 * STEP)
        floor = self.worth * self.shipped * (1.0 - self.shipped)
        found = 0.5 * (found + found.T)
        # At a bound the curvature can be less than the prior's; never less is taken to be known.
        values, vectors = np.linalg.eigh(found)
        held: Floats = (vectors * np.maximum(values, sqrt(1e-6) * floor.min())) @ vectors.T
        return held
