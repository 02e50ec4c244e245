"""Figures of a trial, with 95 % confidence intervals."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


Z_95 = 1.959964
"""Two-sided 95 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 95 % confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Figures:
    """What the jobs of one policy took.

    Attributes:
        jobs: how many.
        mean_minutes: all costs, to the end of the job: labour, and the price of parts as minutes
            at the shop's hourly rate.
        median_minutes, p90_minutes: of the same.
        labour_minutes: mean without the price of parts; handing over counts in full.
        known_minutes: mean of all costs if one had known what was wrong.
        finding_minutes: mean of all costs over and above that: what finding out took, errors and
            parts fitted in vain included.
        tests: done in a job, mean.
        good_parts: new parts fitted in place of good ones in a job, mean; a blown fuse is no good
            part.
        not_solved: share of jobs handed over.
    """

    jobs: int
    mean_minutes: Interval
    median_minutes: Interval
    p90_minutes: Interval
    labour_minutes: Interval
    known_minutes: Interval
    finding_minutes: Interval
    tests: Interval
    good_parts: Interval
    not_solved: Interval

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionaries, ready for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Difference:
    """One policy against another on the same jobs: theirs minus ours.

    Attributes:
        minutes: mean minutes saved in a job, all costs; as many of finding out.
        minutes_percent: of theirs.
        finding_minutes_percent: of their minutes of finding out.
        labour_minutes: mean minutes of labour saved in a job.
        labour_minutes_percent: of theirs.
        good_parts: mean good parts spared in a job.
    """

    minutes: Interval
    minutes_percent: float
    finding_minutes_percent: float
    labour_minutes: Interval
    labour_minutes_percent: float
    good_parts: Interval

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionaries, ready for JSON."""
        return asdict(self)


def mean_interval(values: NDArray[Any]) -> Interval:
    """Mean with its normal 95 % interval."""
    x = np.asarray(values, dtype=np.float64)
    error = Z_95 * float(x.std(ddof=1)) / np.sqrt(len(x)) if len(x) > 1 else 0.0
    mean = float(x.mean())
    return Interval(mean, mean - float(error), mean + float(error))


def quantile_interval(values: Floats, share: float) -> Interval:
    """A quantile with the 95 % interval of order statistics (normal approximation)."""
    x = np.sort(np.asarray(values, dtype=np.float64))
    n = len(x)
    half = Z_95 * np.sqrt(n * share * (1.0 - share))
    low = int(np.clip(np.floor(n * share - half), 0, n - 1))
    high = int(np.clip(np.ceil(n * share + half), 0, n - 1))
    return Interval(float(np.quantile(x, share)), float(x[low]), float(x[high]))


def share_interval(hits: NDArray[np.bool_]) -> Interval:
    """A share with its 95 % interval (Wilson 1927)."""
    n, p = len(hits), float(np.mean(hits))
    middle = (p + Z_95**2 / (2 * n)) / (1 + Z_95**2 / n)
    half = Z_95 / (1 + Z_95**2 / n) * np.sqrt(p * (1 - p) / n + Z_95**2 / (4 * n * n))
    return Interval(p, max(middle - float(half), 0.0), min(middle + float(half), 1.0))


def figures_of(rows: NDArray[np.void]) -> Figures:
    """Figures of the rows that `simulate` gives."""
    minutes = rows["minutes"]
    return Figures(
        jobs=len(rows),
        mean_minutes=mean_interval(minutes),
        median_minutes=quantile_interval(minutes, 0.5),
        p90_minutes=quantile_interval(minutes, 0.9),
        labour_minutes=mean_interval(rows["labour_minutes"]),
        known_minutes=mean_interval(rows["known_minutes"]),
        finding_minutes=mean_interval(minutes - rows["known_minutes"]),
        tests=mean_interval(rows["tests"]),
        good_parts=mean_interval(rows["good_parts"]),
        not_solved=share_interval(~rows["solved"]),
    )


def difference(ours: NDArray[np.void], theirs: NDArray[np.void]) -> Difference:
    """What the first policy saves against the second; row i of both must be the same job."""
    saved = mean_interval(theirs["minutes"] - ours["minutes"])
    finding = float((theirs["minutes"] - theirs["known_minutes"]).mean())
    labour = mean_interval(theirs["labour_minutes"] - ours["labour_minutes"])
    return Difference(
        minutes=saved,
        minutes_percent=100.0 * saved.value / float(theirs["minutes"].mean()),
        finding_minutes_percent=100.0 * saved.value / finding if finding > 0.0 else 0.0,
        labour_minutes=labour,
        labour_minutes_percent=100.0 * labour.value / float(theirs["labour_minutes"].mean()),
        good_parts=mean_interval(theirs["good_parts"].astype(np.float64) - ours["good_parts"]),
    )
