"""What forecasts, drift and misfit come to, as the tables that the report shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from diagnose.machine.overlay import Bin, Judged, Score
from diagnose.refit.scores import reliability
from diagnose.refit.watch import drift, misfit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.machine.model import Machine
    from diagnose.refit.result import Refit
    from diagnose.refit.trust import Trust

RARE = 0.001
"""A test is named where chance alone would make it surprise so often in no more than this share."""

MOST_PARTS, MOST_TESTS = 3, 10
"""Parts whose months are drawn, tests that are named."""

LOOKED_AT = 0.02
"""A cause with less chance than this is not looked at."""

BIN_COLUMNS = ("priors", "predicted", "observed", "low", "high", "cases")
SCORE_COLUMNS = ("score", "shipped", "refitted", "difference", "standard_error")


def judged_frames(
    machine: Machine, trust: Trust, refitted: Refit, orders: pd.DataFrame, steps: pd.DataFrame
) -> Mapping[str, pd.DataFrame]:
    """Frames `scores`, `calibration`, `surprises` and `drift`, see `diagnose.refit.report`.

    Args:
        machine: as its file says.
        trust: how later orders were foretold.
        refitted: of all orders.
        orders: usable ones of the machine.
        steps: theirs.
    """
    return {
        "scores": scores_frame(trust),
        "calibration": calibration_frame(trust),
        "surprises": surprises_frame(machine, refitted, orders, steps),
        "drift": drift_frame(machine, refitted, orders, steps),
    }


def judged_of(trust: Trust) -> Judged:
    """The verdict with its scores and its calibration, as a priors file carries it."""
    scores = scores_frame(trust).dropna(subset=["shipped", "refitted"])
    own = [Bin(*told) for told in _rows(calibration_frame(trust), BIN_COLUMNS[1:])]
    return Judged(
        trust.verdict,
        trust.reason,
        tuple(Score(*told) for told in _rows(scores, SCORE_COLUMNS[:3])),
        tuple(own),
    )


def _rows(frame: pd.DataFrame, columns: Sequence[str]) -> list[tuple[Any, ...]]:
    """The rows of some columns, in numbers of Python."""
    return [tuple(row) for row in frame[list(columns)].astype(object).to_numpy().tolist()]


def scores_frame(trust: Trust) -> pd.DataFrame:
    """Scores of the forecasts with the priors in use and the refitted ones.

    The difference is refitted less shipped; its standard error is over orders.
    """
    told = trust.orders
    gain = told["new"] - told["old"]
    error = float(gain.std(ddof=1) / np.sqrt(len(gain))) if len(gain) > 1 else np.nan
    rows = [
        ("log score of an order, nats", told["old"].mean(), told["new"].mean(), gain.mean(), error)
    ]
    hits = trust.hit_rates()
    for top, words in (("top_1", "cause came first"), ("top_3", "cause among the first three")):
        old, new = hits[top].to_numpy(np.float64).tolist()
        rows.append((words, old, new, new - old, np.nan))
    if {"old", "new"} <= set(trust.murphy):
        for name, words in (
            ("brier", "Brier score of causes"),
            ("reliability", "of it: not meant as it came (less is better)"),
            ("resolution", "of it: told apart (more is better)"),
        ):
            old, new = (float(getattr(trust.murphy[side], name)) for side in ("old", "new"))
            rows.append((words, old, new, new - old, np.nan))
    if {"old", "new"} <= set(trust.calibration):
        for place, words in enumerate(("calibration error", "the same by chance alone")):
            old, new = (float(trust.calibration[side][place]) for side in ("old", "new"))
            rows.append((words, old, new, new - old, np.nan))
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS))


def calibration_frame(trust: Trust) -> pd.DataFrame:
    """Bins of the chances given to causes by the refitted priors; see `plot_calibration`.

    Only of chances that anybody looks at, `LOOKED_AT` and above: nearly all causes of an order are
    next to impossible, and rightly so.

    The limits are two standard errors of what a calibrated forecast would show.
    """
    both = trust.suspects[trust.suspects["chance"] >= LOOKED_AT]
    if both.empty:
        return pd.DataFrame(columns=list(BIN_COLUMNS))
    bins = reliability(both["chance"].to_numpy(np.float64), both["came"].to_numpy(bool))
    said, wide = bins["forecast"].to_numpy(np.float64), 2.0 * bins["noise"].to_numpy(np.float64)
    return pd.DataFrame(
        {
            "priors": "refitted",
            "predicted": said,
            "observed": bins["came"].to_numpy(np.float64),
            "low": np.clip(said - wide, 0.0, 1.0),
            "high": np.clip(said + wide, 0.0, 1.0),
            "cases": bins["forecasts"].to_numpy(),
        }
    )


def surprises_frame(
    machine: Machine, refitted: Refit, orders: pd.DataFrame, steps: pd.DataFrame
) -> pd.DataFrame:
    """Tests whose outcomes surprise more often than chance lets them, the clearest first."""
    found = misfit(refitted, orders, steps)
    odd = found[found["at_most"] < RARE].head(MOST_TESTS).reset_index(drop=True)
    odd.insert(0, "title", [machine.tests[test].title for test in odd["test"]])
    return odd


def drift_frame(
    machine: Machine, refitted: Refit, orders: pd.DataFrame, steps: pd.DataFrame
) -> pd.DataFrame:
    """Months of the parts that failed more or less than they should, those farthest out."""
    found = drift(refitted, orders, steps)
    found = found[found["part"].isin(list(machine.parts))]
    out = (found["cases"] - found["expected"]).abs() / (found["high"] - found["expected"]).clip(
        lower=0.1
    )
    worst = found.assign(out=out)[found["alarm"] & (found["cases"] > 2.0)]
    parts = worst.groupby("part")["out"].max().nlargest(MOST_PARTS).index
    kept = found[found["part"].isin(parts)].rename(columns={"cases": "observed"})
    kept.insert(0, "title", [machine.parts[part].title for part in kept["part"]])
    return kept.reset_index(drop=True)
