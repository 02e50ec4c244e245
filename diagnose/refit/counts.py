"""What can be counted straight from the tables: words, bad new parts, comebacks, minutes.

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
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import beta, norm

from diagnose.machine.model import NEW_PART
from diagnose.refit.patterns import WINDOW_DAYS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine

SHARE_CASES = 20.0
"""A shipped share is worth so many cases. Estimate."""

RARE_CASES = 200.0
"""The same of what is rare: new parts that are bad. Estimate."""

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


def words(machine: Machine, orders: pd.DataFrame) -> dict[str, Counted]:
    """Complaint -> how often customers find these words for a machine that does it.

    That is what the machine file's `words_fit_percent` counts. Of a machine that does s, complaint
    s is made with chance r_s, any other c with (1 - r_c) / (complaints - 1); the order came under
    one of them, so each is over their sum. The shares with the highest posterior density.

    Args:
        machine: the machine.
        orders: rows with `complaint_told` and `complaint_seen`.
    """
    names, n = list(machine.complaints), len(machine.complaints)
    told = np.array(confusion(machine, orders), dtype=np.float64).T  # (seen, told)
    tried = np.array([complaint.on_trying for complaint in machine.complaints.values()])
    told[~tried] = 0.0
    shipped = np.array([c.words_fit_percent / 100.0 for c in machine.complaints.values()])
    shipped = np.clip(shipped, 1e-3, 1.0 - 1e-3)
    own = np.eye(n, dtype=bool)

    def negative(y: NDArray[np.float64]) -> float:
        right = expit(y)
        wrong = np.broadcast_to((1.0 - right) / max(n - 1, 1), (n, n))
        chance = np.where(own, right[:, None], wrong)
        value = float((told * np.log(chance / chance.sum(axis=1, keepdims=True))).sum())
        prior = shipped * np.log(right) + (1.0 - shipped) * np.log1p(-right)
        return -value - SHARE_CASES * float(prior.sum())

    best = minimize(negative, logit(shipped), method="BFGS")
    wide = float(norm.ppf(0.5 + INTERVAL / 2.0)) * np.sqrt(
        np.diag(np.asarray(best.hess_inv, dtype=np.float64))
    )
    found = {}
    for place in np.flatnonzero(tried).tolist():
        value, low, high = expit(best.x[place] + np.array([0.0, -1.0, 1.0]) * wide[place])
        cases = int(told[place].sum())
        raw = told[place, place] / cases if cases else float("nan")
        found[names[place]] = Counted(
            float(value), float(low), float(high), float(shipped[place]), cases, float(raw)
        )
    return found


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


def bad_new_parts(machine: Machine, orders: pd.DataFrame, steps: pd.DataFrame) -> Counted:
    """Share of new parts that were bad: the same part was fitted again, and then it ran.

    Args:
        machine: the machine.
        orders: rows of the table.
        steps: their steps.
    """
    own = steps[steps["order_id"].isin(orders.loc[orders["ended"] == "runs", "order_id"])]
    done = own[own["kind"] == "repaired"].sort_values(["order_id", "seq"])
    new = done[done["repair"] == NEW_PART]
    last = ~done.duplicated("order_id", keep="last")
    again = new.duplicated(["order_id", "part"]) & last.loc[new.index]
    shipped = min(max(machine.shop.new_part_bad_per_1000 / 1000.0, 1e-5), 0.5)
    return share_of(int(again.sum()), len(new), shipped, RARE_CASES)


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
