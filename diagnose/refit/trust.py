"""Whether refitted priors are to be believed: they forecast later orders, or they are not taken.

By time, never shuffled: priors fitted to the orders up to a day forecast those after it (Dawid
1984, prequential). They are compared with the priors in use on the same orders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.errors import RequestError
from diagnose.machine.load import load_machine
from diagnose.machine.model import Machine
from diagnose.refit.forecast import forecasts
from diagnose.refit.patterns import told_by
from diagnose.refit.refit import by_order, refit, rows_of
from diagnose.refit.scores import Murphy, calibration_error, murphy
from diagnose.rule.prepared import prepared
from diagnose.trial.run import run_trial

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from diagnose.machine.overlay import Overlay
    from diagnose.refit.forecast import Forecast
    from diagnose.refit.patterns import Row
    from diagnose.rule.prepared import Prepared

CUTS = (0.5, 0.75)
"""Shares of the orders after which priors are fitted; each forecasts up to the next."""

ADOPT, KEEP = "adopt", "keep"
SURE = 1.0
"""New priors must be better by so many standard errors."""


@dataclass(frozen=True, slots=True, eq=False)
class Trust:
    """What came of the comparison.

    Attributes:
        verdict: `adopt` or `keep`.
        reason: in one sentence.
        orders: one row for each forecast order: natural logarithm of the chance of its outcomes
            and of its cause, under the old priors and the new; place of the cause among suspects.
        murphy: of the chances of causes, by `old` and `new`; None where no cause was seen.
        calibration: mean error and what chance alone would show, by `old` and `new`.
        suspects: (n,) chances of causes under the new priors, and whether each was it.
        minutes: mean minutes of a job under the old priors and the new on the same jobs, where a
            trial was asked for.
    """

    verdict: str
    reason: str
    orders: pd.DataFrame
    murphy: dict[str, Murphy]
    calibration: dict[str, tuple[float, float]]
    suspects: pd.DataFrame
    minutes: tuple[float, float] | None

    def hit_rates(self) -> pd.DataFrame:
        """Share of orders whose cause came first, and among the first three, old and new."""
        named = self.orders.dropna(subset=["old_place", "new_place"])
        rows = {
            which: [float((named[f"{which}_place"] < top).mean()) for top in (1, 3)]
            for which in ("old", "new")
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=["top_1", "top_3"])


def believe(
    orders: pd.DataFrame,
    steps: pd.DataFrame,
    machine: str | Path | Machine,
    *,
    shipped: Overlay | None = None,
    cuts: Sequence[float] = CUTS,
    trial_jobs: int = 0,
) -> Trust:
    """Compare refitted priors with those in use on later orders.

    Args:
        orders: as of `diagnose.refit.refit.refit`.
        steps: as there.
        machine: as there.
        shipped: as there.
        cuts: see `CUTS`.
        trial_jobs: jobs simulated from the rates fitted to all orders, advised by either priors;
            0 for none.

    Raises:
        RequestError: too few orders to fit and forecast.
    """
    plain = machine if isinstance(machine, Machine) else load_machine(machine)
    when = pd.to_datetime(orders["closed_at"], utc=True)
    ordered = orders.loc[when.sort_values(kind="stable").index].reset_index(drop=True)
    old = prepared(plain if shipped is None else shipped.applied(plain))
    ends = [round(share * len(ordered)) for share in cuts] + [len(ordered)]
    told, parts = by_order(steps), []
    for begin, end in pairwise(ends):
        fitted = refit(ordered[:begin], steps, plain, shipped=shipped).overlay()
        new = prepared(fitted.applied(plain))
        parts.append(_compared(old, new, ordered[begin:end], told))
    table = pd.concat([own for own, _, _ in parts], ignore_index=True)
    if table.empty:
        raise RequestError("no later order can be forecast; more orders are needed", "orders")
    sides = {
        which: pd.concat([own[side] for own in parts], ignore_index=True)
        for side, which in ((1, "old"), (2, "new"))
    }
    minutes = _minutes(orders, steps, plain, shipped, trial_jobs) if trial_jobs else None
    verdict, reason = judge(table["new"] - table["old"], minutes)
    return Trust(
        verdict=verdict,
        reason=reason,
        orders=table,
        murphy={w: murphy(*_pair(own)) for w, own in sides.items() if len(own)},
        calibration={w: calibration_error(*_pair(own)) for w, own in sides.items() if len(own)},
        suspects=sides["new"],
        minutes=minutes,
    )


def judge(gain: pd.Series, minutes: tuple[float, float] | None) -> tuple[str, str]:
    """Whether to adopt, and why.

    Args:
        gain: by order, log score of the new priors over that of the old.
        minutes: of a job under the old priors and the new; None where no trial was made.
    """
    mean = float(gain.mean())
    error = float(gain.std(ddof=1)) / len(gain) ** 0.5 if len(gain) > 1 else np.inf
    said = f"{mean:+.3f} (standard error {error:.3f}) in log score on {len(gain)} later orders"
    if not mean > SURE * error:
        return KEEP, f"The new priors are not surely better: {said}."
    if minutes is not None and minutes[1] > minutes[0]:
        return KEEP, (
            f"The new priors forecast better, {said}, but jobs take {minutes[1]:.1f} instead of "
            f"{minutes[0]:.1f} min."
        )
    saved = "" if minutes is None else f", and save {minutes[0] - minutes[1]:.2f} min a job"
    return ADOPT, f"The new priors forecast later orders better: {said}{saved}."


def _compared(
    old: Prepared, new: Prepared, orders: pd.DataFrame, steps: dict[str, list[Row]]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Orders forecast by both, and the chances of their causes by each."""
    own = [row for row in rows_of(orders) if row["machine"] == old.machine.id]
    told = told_by(old.machine, own, steps)
    patterns = [pattern for _, pattern in told]
    both = forecasts(old, patterns), forecasts(new, patterns)
    table = pd.DataFrame(
        {
            "order_id": [row["order_id"] for row, _ in told],
            "old": [score_of(own) for own in both[0]],
            "new": [score_of(own) for own in both[1]],
            "old_place": [place_of(own) for own in both[0]],
            "new_place": [place_of(own) for own in both[1]],
        }
    )
    return table, _suspects(both[0]), _suspects(both[1])


def score_of(forecast: Forecast) -> float:
    """Natural logarithm of the chance of all outcomes of an order, and of its cause."""
    found = float(np.log(forecast.chances).sum())
    if forecast.named >= 0:
        total = max(float(forecast.causes.sum()), 1e-12)
        found += float(np.log(max(forecast.causes[forecast.named] / total, 1e-6)))
    return found


def place_of(forecast: Forecast) -> float:
    """Place of the cause among the suspects, 0 for the first; NaN where none was seen."""
    if forecast.named < 0:
        return float("nan")
    return float((forecast.causes > forecast.causes[forecast.named]).sum())


def _suspects(told: list[Forecast]) -> pd.DataFrame:
    """Chances of every cause of the orders that name one, and whether it was that."""
    named = [own for own in told if own.named >= 0]
    chances = [own.causes for own in named]
    came = [np.arange(len(own.causes)) == own.named for own in named]
    return pd.DataFrame(
        {
            "chance": np.concatenate([np.zeros(0), *chances]),
            "came": np.concatenate([np.zeros(0, dtype=bool), *came]),
        }
    )


def _pair(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    return table["chance"].to_numpy(np.float64), table["came"].to_numpy(bool)


def _minutes(
    orders: pd.DataFrame,
    steps: pd.DataFrame,
    machine: Machine,
    shipped: Overlay | None,
    jobs: int,
) -> tuple[float, float]:
    """Mean minutes under the priors in use and the new ones, where the new ones are right."""
    fitted = refit(orders, steps, machine, shipped=shipped).overlay()
    # Both know how long things take: those minutes are spent whatever is believed.
    before = fitted.minutes_alone() if shipped is None else replace(shipped, minutes=fitted.minutes)
    old, new = before.applied(machine), fitted.applied(machine)
    both = [run_trial(known, "gate", jobs, truth=new, workers=1) for known in (old, new)]
    first, second = (trial.figures.mean_minutes.value for trial in both)
    return first, second
