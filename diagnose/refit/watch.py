"""What to keep an eye on: parts that fail more than they did, and tests that surprise too often."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import norm

from diagnose.refit.evidence import entry_weights
from diagnose.refit.forecast import forecasts
from diagnose.refit.patterns import told_by
from diagnose.refit.refit import by_order, rows_of
from diagnose.rule.prepared import prepared

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.refit.evidence import Evidence
    from diagnose.refit.result import Refit

    Floats = NDArray[np.float64]

SIGMAS = 3.0
"""Control limits lie so many standard deviations out (Shewhart 1931)."""


def cases_by_part(evidence: Evidence, log_ratio: Floats) -> Floats:
    """(patterns, parts) chance that each part has failed, given the pattern.

    Args:
        evidence: the patterns.
        log_ratio: (parameters,) logarithms of the rates over the shipped ones.
    """
    model = evidence.model
    row, weight = entry_weights(evidence, log_ratio)
    parts = int(model.part_of.max()) + 1
    found = np.zeros((len(evidence.counts), parts))
    own = evidence.members[evidence.set_of[evidence.column]]
    for column in own.T:
        there = column < model.n_faults
        np.add.at(found, (row[there], model.part_of[column[there]]), weight[there])
    return found


def drift(done: Refit, orders: pd.DataFrame, steps: pd.DataFrame) -> pd.DataFrame:
    """One row for each part and month: cases, what is expected, limits, and whether it alarms.

    Expected is the part's share in all orders; `false_alarm` is the chance of an alarm, in a month
    and part, where nothing changes.

    Args:
        done: a refit of these orders.
        orders: their table.
        steps: theirs.
    """
    model, machine = done.evidence.model, done.machine
    kept = {done.counted.patterns[row].key: place for place, row in enumerate(done.evidence.of)}
    own = [row for row in rows_of(orders) if row["machine"] == machine.id]
    told = [(r, p) for r, p in told_by(machine, own, by_order(steps)) if p.key in kept]
    months = [str(pd.Timestamp(row["closed_at"]))[:7] for row, _ in told]
    places = [kept[pattern.key] for _, pattern in told]
    by_order_cases = cases_by_part(done.evidence, done.fitted.log_ratio)[places]
    names = [str(part) for part in dict.fromkeys(part for part, _ in model.faults)]
    table = pd.DataFrame(by_order_cases, columns=names)
    table.insert(0, "month", months)
    share, n = table[names].mean(), table.groupby("month").size()
    cases = table.groupby("month", as_index=False)[names].sum()
    found = cases.melt(id_vars="month", var_name="part", value_name="cases")
    orders_of = found["month"].map(n).astype(float)
    usual = found["part"].map(share).astype(float)
    found["orders"] = orders_of
    found["expected"] = orders_of * usual
    wide = SIGMAS * np.sqrt(orders_of * usual * (1.0 - usual))
    found["low"] = (found["expected"] - wide).clip(lower=0.0)
    found["high"] = found["expected"] + wide
    found["alarm"] = (found["cases"] > found["high"]) | (found["cases"] < found["low"])
    found["false_alarm"] = 2.0 * float(norm.sf(SIGMAS))
    return found


def misfit(
    done: Refit, orders: pd.DataFrame, steps: pd.DataFrame, machine: Machine | None = None
) -> pd.DataFrame:
    """One row for each test: findings, how much they surprise beyond what is to be expected.

    `excess_bits` is the mean for a finding, `z` its sum over its standard deviation, `at_most` a
    bound of the chance of as much where the model is right, whatever the distribution (Cantelli).
    A small one points to a wrong limit, or to a fault that is missing in the file. Each finding is
    held against what was found before it on the job: which test is done next depends on that, so in
    any other order the chances would not be those of what was done.

    Args:
        done: a refit of these orders.
        orders: their table.
        steps: theirs.
        machine: with the priors that are to forecast; default: the refitted ones.
    """
    ready = prepared(done.overlay().applied(done.machine) if machine is None else machine)
    tests = [test.id for test in ready.sets.columns.tests]
    seen, excess, variance = (np.zeros(len(tests)) for _ in range(3))
    own_rows = [row for row in rows_of(orders) if row["machine"] == done.machine.id]
    told = told_by(done.machine, own_rows, by_order(steps), as_done=True)
    patterns = {pattern.key: pattern for _, pattern in told}
    counts = Counter(pattern.key for _, pattern in told)
    for own, count in zip(forecasts(ready, list(patterns.values())), counts.values(), strict=True):
        real = (own.tests >= 0) & np.isfinite(own.excess)
        np.add.at(seen, own.tests[real], float(count))
        np.add.at(excess, own.tests[real], count * own.excess[real])
        np.add.at(variance, own.tests[real], count * own.variance[real])
    z = excess / np.sqrt(np.maximum(variance, 1e-12))
    found = pd.DataFrame({"test": tests, "findings": seen, "z": z, "at_most": _cantelli(z)})
    found["excess_bits"] = excess / np.maximum(seen, 1.0) / np.log(2.0)
    return found[found["findings"] > 0].sort_values("at_most", kind="stable", ignore_index=True)


def _cantelli(z: Floats) -> Floats:
    """Bound of the chance of so many standard deviations above the mean."""
    above = np.maximum(z, 0.0)
    return np.asarray(1.0 / (1.0 + above**2), dtype=np.float64)
