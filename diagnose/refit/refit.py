"""Refitting a machine's priors from closed repair orders."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.errors import RequestError
from diagnose.machine.load import load_machine
from diagnose.machine.model import Machine
from diagnose.refit.counts import (
    bad_new_parts,
    comebacks,
    confusion,
    labour,
    share_of,
    words,
)
from diagnose.refit.evidence import make_evidence
from diagnose.refit.fit import SPREADS, fit, scaled
from diagnose.refit.forecast import forecasts
from diagnose.refit.groups import groups_of
from diagnose.refit.likelihood import LABEL_ERROR, make_rows
from diagnose.refit.model import make_model
from diagnose.refit.patterns import Counted, counted
from diagnose.refit.result import Refit
from diagnose.rule.prepared import prepared
from diagnose.steps.columns import columns

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from diagnose.machine.overlay import Overlay
    from diagnose.refit.counts import Counted as Figure
    from diagnose.refit.patterns import Row
    from diagnose.rule.prepared import Prepared

    Progress = Callable[[int, int], None]

OTHER_MACHINE, OTHER_VERSION = "another machine", "another version of the machine"
"""Why orders are set aside before anything is read."""

ENOUGH = 50
"""From so many orders on, some would have been handed over. Estimate."""

SLIP_CASES = 200.0
"""A shipped share of slips is worth so many findings. Estimate."""


def refit(
    orders: pd.DataFrame,
    steps: pd.DataFrame,
    machine: str | Path | Machine,
    *,
    shipped: Overlay | None = None,
    label_error: float = LABEL_ERROR,
    spreads: Sequence[float] = SPREADS,
    progress: Progress | None = None,
) -> Refit:
    """Refit a machine's priors from closed repair orders.

    What was found on an order has a likelihood under each set of faults that does not depend on
    the priors; the rates are those with the highest posterior density, given that the orders came.
    The tables are those of `datasets/columns.csv`, already clean.

    Args:
        orders: one row for each closed order.
        steps: one row for each step of theirs.
        machine: id of a shipped machine, path of a machine file, or a machine, without priors laid
            over it.
        shipped: priors in use so far, laid over the machine before anything is fitted; None for
            the file's own.
        label_error: share of causes said to be seen on the part that were another one.
        spreads: of the rates around those in use; the evidence chooses.
        progress: called with the different stories worked out and those in all.

    Raises:
        RequestError: no order can be used.
        MachineFileError, CircuitError, NetworkError: the machine cannot be read or solved.
        PriorsMismatchError: the priors in use are another machine's.
    """
    orders, steps = complete("orders", orders), complete("steps", steps)
    plain = machine if isinstance(machine, Machine) else load_machine(machine)
    known = plain if shipped is None else shipped.applied(plain)
    ready = prepared(known)
    usable, aside = _usable(plain, orders)
    told = counted(known, rows_of(usable), by_order(steps))
    told = Counted(told.patterns, told.counts, {**aside, **told.aside})
    if not told.orders:
        raise RequestError(f"no order of {plain.id} can be used: {told.aside}", "orders")
    rows = make_rows(ready.sets, told.patterns, label_error, progress)
    model = make_model(ready.behaviour, ready.sets.priors)
    evidence = make_evidence(ready.sets, model, rows, told.counts.tolist())
    fitted = fit(evidence, spreads=spreads)
    scale = scaled(model, fitted)
    own = steps[steps["order_id"].isin(usable["order_id"])]
    return Refit(
        machine=plain,
        parent=shipped,
        window=_window(usable),
        counted=told,
        evidence=evidence,
        fitted=fitted,
        known=scale,
        groups=tuple(groups_of(model, scale)),
        words=words(known, usable),
        confusion=confusion(known, usable),
        slips=_slips(ready, told),
        minutes=labour(known, own),
        new_part_bad=bad_new_parts(known, usable, own),
        comeback=comebacks(usable),
        warnings=_warnings(usable, told, rows_explained=evidence.orders),
    )


def complete(table: str, rows: pd.DataFrame) -> pd.DataFrame:
    """A table with all columns of the data dictionary; those that it lacks are empty.

    Args:
        table: `orders` or `steps`.
        rows: the table.
    """
    missing = [column.name for column in columns()[table] if column.name not in rows]
    return rows.assign(**dict.fromkeys(missing)) if missing else rows


def rows_of(table: pd.DataFrame) -> list[Row]:
    """Rows of a table as dicts; what is empty is None."""
    plain = table.astype(object).where(table.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in plain.to_dict("records")]


def by_order(steps: pd.DataFrame) -> dict[str, list[Row]]:
    """Order's id -> its steps, in their order."""
    found: dict[str, list[Row]] = {}
    for row in rows_of(steps.sort_values(["order_id", "seq"], kind="stable")):
        found.setdefault(row["order_id"], []).append(row)
    return found


def _usable(machine: Machine, orders: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Orders of this version of the machine, and how many are of others."""
    own = orders["machine"] == machine.id
    same = own & (orders["machine_version"].astype(str) == machine.version)
    aside = {OTHER_MACHINE: int((~own).sum()), OTHER_VERSION: int((own & ~same).sum())}
    return orders[same], {why: count for why, count in aside.items() if count}


def _window(orders: pd.DataFrame) -> tuple[str, str]:
    closed = pd.to_datetime(orders["closed_at"], utc=True)
    return closed.min().date().isoformat(), closed.max().date().isoformat()


def _slips(ready: Prepared, told: Counted) -> dict[str, Figure]:
    """Kind of test -> share of slips: what the shipped figures expect of the findings there are."""
    tests = ready.sets.columns.tests
    cases, hits, shipped = dict[str, int](), dict[str, float](), dict[str, list[float]]()
    for forecast, count in zip(forecasts(ready, told.patterns), told.counts.tolist(), strict=True):
        for test, slip in zip(forecast.tests.tolist(), forecast.slips.tolist(), strict=True):
            if test >= 0:
                kind = tests[test].kind
                cases[kind] = cases.get(kind, 0) + count
                hits[kind] = hits.get(kind, 0.0) + count * slip
    for test in tests:
        shipped.setdefault(test.kind, []).append(test.slip_percent / 100.0)
    return {
        kind: share_of(
            hits[kind], n, min(max(float(np.mean(shipped[kind])), 1e-4), 0.5), SLIP_CASES
        )
        for kind, n in sorted(cases.items())
    }


def _warnings(orders: pd.DataFrame, told: Counted, rows_explained: int) -> tuple[str, ...]:
    found = []
    if len(orders) >= ENOUGH and not (orders["ended"] == "handed_over").any():
        found.append(
            "No order was handed over. If such orders are left out of the table, rates of what the "
            "shop cannot put right are too low: add them."
        )
    if told.orders > rows_explained:
        found.append(
            f"{told.orders - rows_explained} orders tell what no set of faults can give; they are "
            "left out."
        )
    return tuple(found)
