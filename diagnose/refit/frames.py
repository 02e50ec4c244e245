"""Tables of what an overlay says beside what the machine's file says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.machine.overlay import Overlay, Rate

RATE_COLUMNS = (
    *("kind", "part", "mode", "title", "shipped", "refitted", "low", "high", "ratio"),
    *("equivalent_cases", "learnt", "group"),
)
MODE, CAUSE, COMPLAINT = "mode", "cause", "not listed"

ENOUGH = 0.5
"""Below this share of its variance explained a rate counts as it was shipped."""


def rates_frame(machine: Machine, overlay: Overlay) -> pd.DataFrame:
    """Every rate that an overlay gives, beside the file's; the farthest from it first.

    Args:
        machine: as its file says.
        overlay: made for it.

    Returns:
        One row a mode, shared cause or complaint (what is not listed). Rates are per 1 000 jobs,
        `low` and `high` their 90 % limits, `ratio` is refitted over shipped, `group` the number of
        the group that no test told apart, 0 for none.
    """
    grouped = {
        member: number
        for number, group in enumerate(overlay.not_identified, 1)
        for member in group.members
    }
    rows = []
    for (part, mode), rate in overlay.rates.items():
        known = machine.parts[part]
        title = f"{known.title}: {known.modes[mode].title}"
        before, group = known.modes[mode].per_1000_jobs, grouped.get(f"{part}.{mode}", 0)
        rows.append((MODE, part, mode, title, before, *_numbers(rate, before), group))
    for name, rate in overlay.causes.items():
        cause = machine.shared_causes[name]
        before = cause.per_1000_jobs
        rows.append((CAUSE, name, "", cause.title, before, *_numbers(rate, before), 0))
    for name, rate in overlay.unlisted.items():
        complaint = machine.complaints[name]
        own = complaint.unlisted_per_1000
        before = machine.unlisted_per_1000 if own is None else own
        title = f"Not in the file: {complaint.title}"
        rows.append((COMPLAINT, name, "", title, before, *_numbers(rate, before), 0))
    frame = pd.DataFrame(rows, columns=list(RATE_COLUMNS))
    far = np.log(frame["ratio"].where(frame["ratio"] > 0.0)).abs().fillna(0.0)
    weight = far * (frame["learnt"] >= ENOUGH)
    order = np.lexsort((-far.to_numpy(), -weight.to_numpy()))
    return frame.iloc[order].reset_index(drop=True)


def _numbers(rate: Rate, before: float) -> tuple[float, ...]:
    ratio = rate.per_1000_jobs / before if before > 0.0 else np.nan
    return (
        *(rate.per_1000_jobs, rate.low, rate.high, ratio),
        *(rate.equivalent_cases, rate.learnt),
    )


def groups_frame(machine: Machine, overlay: Overlay) -> pd.DataFrame:
    """The groups that no test done told apart: their sum with its 90 % limits, and the split.

    Returns:
        One row a group: `members` (titles), `shipped`, `refitted`, `low`, `high` of the sum, per
        1 000 jobs.
    """
    rows = []
    for group in overlay.not_identified:
        members = [member.partition(".")[::2] for member in group.members]
        titles = [_title(machine, part, mode) for part, mode in members]
        shipped = sum(_shipped(machine, part, mode) for part, mode in members)
        rate = group.rate
        rows.append(
            (" or ".join(group.members), " — or — ".join(titles), shipped, rate.per_1000_jobs,
             rate.low, rate.high)
        )  # fmt: skip
    return pd.DataFrame(rows, columns=["group", "members", "shipped", "refitted", "low", "high"])


def _title(machine: Machine, part: str, mode: str) -> str:
    if part in machine.parts:
        return f"{machine.parts[part].title}: {machine.parts[part].modes[mode].title}"
    return f"Not in the file: {machine.complaints[mode].title}"


def _shipped(machine: Machine, part: str, mode: str) -> float:
    if part in machine.parts:
        return machine.parts[part].modes[mode].per_1000_jobs
    own = machine.complaints[mode].unlisted_per_1000
    return machine.unlisted_per_1000 if own is None else own


def months_frame(orders: pd.DataFrame) -> pd.DataFrame:
    """Orders by month of closing and by how they ended.

    Args:
        orders: as `diagnose.refit.tables` gives them.

    Returns:
        One row a month, without gaps; a column for each ending, in orders.
    """
    ended = orders["ended"].astype("str")
    month = orders["closed_at"].dt.tz_convert(None).dt.to_period("M")
    counted = pd.crosstab(month, ended)
    every = pd.period_range(counted.index.min(), counted.index.max(), freq="M")
    filled = counted.reindex(every, fill_value=0)
    filled.index.name, filled.columns.name = "month", None
    return filled.reset_index()
