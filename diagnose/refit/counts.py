"""What can be counted straight from the tables: comebacks, minutes, what was told and seen.

Each figure is shrunk towards the shipped one, which is worth so many cases; intervals are the
posterior's. A share has a beta prior, minutes a log-normal likelihood with a normal prior on the
logarithm (Gelman and others, Bayesian Data Analysis, 3rd edition, sections 2.4 and 2.5).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import beta, norm

from diagnose.refit.patterns import WINDOW_DAYS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine

SHARE_CASES = 20.0
"""A shipped share is worth so many cases. Estimate."""

RARE_CASES = 200.0
"""The same of what is rare: new parts that are bad. Estimate."""

SLIP_CASES = 200.0
"""A shipped share of slips is worth so many findings. Estimate."""

MINUTES_CASES, MINUTES_SPREAD = 3.0, 0.4
"""Shipped minutes are worth so many jobs, and jobs differ by such a standard deviation of the
logarithm where there are too few to say. Estimates."""

TIMED = {
    "finding": ("test", ["test"]),
    "area_opened": ("area", ["area"]),
    "repaired": ("repair", ["part", "repair"]),
}
"""Kind of step -> what its minutes are of, and the columns that name it."""

INTERVAL = 0.9
"""Share that intervals cover."""

Z_90 = 1.644854
"""Two-sided 90 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class Counted:
    """A figure from counting.

    Attributes:
        value, low, high: with its 90 % interval.
        shipped: what the file says.
        cases: how many it rests on.
        raw: what counting alone gives, NaN for nothing counted.
    """

    value: float
    low: float
    high: float
    shipped: float
    cases: int
    raw: float


def share_of(hits: float, cases: int, shipped: float, worth: float = SHARE_CASES) -> Counted:
    """A share, shrunk towards the shipped one.

    Args:
        hits: how often it was so.
        cases: how often it could have been.
        shipped: 0 to 1, both left out.
        worth: cases that the shipped share is worth.
    """
    a, b = hits + worth * shipped, cases - hits + worth * (1.0 - shipped)
    tail = (1.0 - INTERVAL) / 2.0
    low, high = float(beta.ppf(tail, a, b)), float(beta.ppf(1.0 - tail, a, b))
    return Counted(a / (a + b), low, high, shipped, cases, hits / cases if cases else float("nan"))


def minutes_of(logs: NDArray[np.float64], shipped: float, worth: float = MINUTES_CASES) -> Counted:
    """Mean minutes of a task, shrunk towards the shipped ones.

    Args:
        logs: natural logarithms of the minutes of single jobs.
        shipped: minutes.
        worth: jobs that the shipped figure is worth.
    """
    n = len(logs)
    square = MINUTES_SPREAD**2 * worth + float(((logs - logs.mean()) ** 2).sum() if n else 0.0)
    spread2 = square / (worth + max(n - 1, 0))
    # The shipped figure is a mean; the median of a log-normal lies half its variance lower.
    middle = (worth * (log(shipped) - spread2 / 2.0) + float(logs.sum())) / (worth + n)
    error = float(norm.ppf(0.5 + INTERVAL / 2.0)) * sqrt(spread2 / (worth + n))
    mean = middle + spread2 / 2.0
    raw = float(np.exp(logs).mean()) if n else float("nan")
    return Counted(exp(mean), exp(mean - error), exp(mean + error), shipped, n, raw)


def confusion(machine: Machine, orders: pd.DataFrame) -> pd.DataFrame:
    """Orders by the complaint told (rows) and the one first seen (columns)."""
    names = list(machine.complaints)
    both = orders[["complaint_told", "complaint_seen"]].dropna()
    table = pd.crosstab(both["complaint_told"], both["complaint_seen"])
    return table.reindex(index=names, columns=names, fill_value=0)


def comebacks(orders: pd.DataFrame, shipped: float = 0.02) -> Counted:
    """Share of machines that ran and were back within the window.

    Orders closed less than the window before the last one are not over yet and do not count.

    Args:
        orders: rows of the table.
        shipped: what is taken without any orders; an estimate.
    """
    closed = pd.to_datetime(orders["closed_at"], utc=True)
    over = closed <= closed.max() - pd.Timedelta(days=WINDOW_DAYS)
    ran = orders[over & (orders["ended"] == "runs")]
    back = orders.get("comeback_of", pd.Series(dtype=object)).dropna()
    days = orders.loc[back.index, "days_to_comeback"].astype(float)
    soon = back[(days <= WINDOW_DAYS) | days.isna()]
    return share_of(int(ran["order_id"].isin(soon).sum()), len(ran), shipped)


def labour(machine: Machine, steps: pd.DataFrame) -> dict[tuple[str, str], Counted]:
    """(`test`, id), (`area`, id), (`repair`, `part.repair`) -> minutes of labour.

    Of an area, to open it; steps without minutes do not count.

    Args:
        machine: the machine.
        steps: rows of the table.
    """
    timed = steps[steps["minutes"].astype(float) > 0.0]
    shipped = {("test", test.id): test.minutes for test in machine.tests.values()}
    shipped |= {("area", area.id): area.open_minutes for area in machine.areas.values()}
    for part in machine.parts.values():
        shipped |= {("repair", f"{part.id}.{r.id}"): r.minutes for r in part.repairs}
    found: dict[tuple[str, str], Counted] = {}
    for step, (kind, columns) in TIMED.items():
        own = timed[timed["kind"] == step]
        if own.empty:
            continue
        for names, rows in own.groupby(columns):
            key = (kind, ".".join(map(str, names)))
            if shipped.get(key, 0.0) > 0.0:
                logs = np.log(rows["minutes"].to_numpy(dtype=np.float64))
                found[key] = minutes_of(logs, shipped[key])
    return found
