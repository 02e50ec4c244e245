"""What new priors do at the bench: first tests, the minutes of a job, what to measure more often.

Everything here is a table that depends on a machine and an overlay and on nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnose.job import Job, prepare
from diagnose.trial.orders import Practice, simulated_orders

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.machine.model import Machine
    from diagnose.machine.overlay import Overlay
    from diagnose.rule.prepared import Prepared

Floats = NDArray[np.float64]
FIRST_COLUMNS = (
    *("complaint", "title", "before", "after", "changed", "suspect_before", "chance_before"),
    *("suspect_after", "chance_after"),
)
MINUTE_COLUMNS = ("priors", "minutes", "low", "high")
MEASURE_COLUMNS = ("group", "test", "title", "bits", "minutes", "bits_per_minute")

Z_90 = 1.6448536269514722
"""Normal 95 % quantile, of a 90 % interval."""


def first_tests(machine: Machine, overlay: Overlay) -> pd.DataFrame:
    """What is advised first for each complaint, as shipped and with the overlay.

    Args:
        machine: as its file says.
        overlay: made for it.

    Returns:
        One row a complaint: `before` and `after` (an id, with its action where it is no test),
        `changed`, and the leading suspect of each with its probability.
    """
    rows = []
    for complaint in machine.complaints.values():
        old = Job.open(machine, complaint.id).advise()
        new = Job.open(machine, complaint.id, priors=overlay).advise()
        before, after = _first(old.verdict), _first(new.verdict)
        rows.append(
            {
                "complaint": complaint.id,
                "title": complaint.title,
                "before": before,
                "after": after,
                "changed": before != after,
                "suspect_before": f"{old.suspects[0].part}.{old.suspects[0].mode}",
                "chance_before": old.suspects[0].probability,
                "suspect_after": f"{new.suspects[0].part}.{new.suspects[0].mode}",
                "chance_after": new.suspects[0].probability,
            }
        )
    return pd.DataFrame(rows, columns=list(FIRST_COLUMNS))


def _first(verdict: Any) -> str:
    return verdict.target if verdict.action == "test" else f"{verdict.action} {verdict.target}"


def worth_minutes(
    machine: Machine,
    overlay: Overlay,
    jobs: int,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Minutes of labour in a job, worked with the shipped priors and with the overlay's.

    Simulated jobs whose machines fail at the overlay's rates; both work the same jobs, and both
    know the minutes that the overlay has, since those are spent whatever is believed. A job handed
    over counts with the shop's minutes for that. It says what the overlay is worth if it is right.

    Args:
        machine: as its file says.
        overlay: made for it.
        jobs: how many, at least 2.
        seed: of the random numbers.
        progress: called with the jobs done and the jobs in all.

    Returns:
        Rows `shipped`, `refitted` and `saved`: mean minutes with their 90 % interval.
    """
    truth = overlay.applied(machine)
    practice = Practice(minutes_spread=0.0, comes_back=0.0)
    minutes: list[Floats] = []
    for place, believed in enumerate((overlay.minutes_alone().applied(machine), truth)):
        made = simulated_orders(
            believed,
            jobs,
            seed,
            truth=truth,
            practice=practice,
            progress=None if progress is None else _shifted(progress, place * jobs, 2 * jobs),
        )
        minutes.append(np.array([_minutes(machine, row) for row in made.orders]))
    rows = [
        ("shipped", *_mean(minutes[0])),
        ("refitted", *_mean(minutes[1])),
        ("saved", *_mean(minutes[0] - minutes[1])),
    ]
    return pd.DataFrame(rows, columns=list(MINUTE_COLUMNS))


def _shifted(
    progress: Callable[[int, int], None], before: int, total: int
) -> Callable[[int, int], None]:
    return lambda done, _: progress(before + done, total)


def _minutes(machine: Machine, row: dict[str, Any]) -> float:
    over = machine.shop.escalate_minutes if row["ended"] == "handed_over" else 0.0
    return float(row["labour_minutes"]) + over


def _mean(values: Floats) -> tuple[float, float, float]:
    mean, error = float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values)))
    return mean, mean - Z_90 * error, mean + Z_90 * error


def measure_more(machine: Machine, overlay: Overlay, most: int = 2) -> pd.DataFrame:
    """Tests that tell apart what the orders could not.

    A group's modes, in the shares that the overlay gives them, have an entropy; a test is worth the
    mutual information between them and its outcome, over its minutes.

    Args:
        machine: as its file says.
        overlay: made for it.
        most: tests named for each group.

    Returns:
        For each group its best tests by bits a minute; none for a group that no test tells apart.
    """
    ready = prepare(overlay.applied(machine))
    rows = []
    for group in overlay.not_identified:
        members = [member.partition(".")[::2] for member in group.members]
        numbers = [ready.faults.index((part, mode)) for part, mode in members]
        gains = _gains(ready, numbers)
        named = " or ".join(group.members)
        for test, bits in sorted(gains.items(), key=lambda item: -item[1][0] / item[1][1])[:most]:
            gain, minutes = bits
            title = machine.tests[test].title
            rows.append((named, test, title, gain, minutes, gain / minutes))
    return pd.DataFrame(rows, columns=list(MEASURE_COLUMNS))


LEAST_BITS = 0.02
"""A test that tells less about a group is not worth naming."""


def _gains(ready: Prepared, numbers: list[int]) -> dict[str, tuple[float, float]]:
    """Test -> bits about which of some faults is there, and its minutes with opening."""
    solved, columns = ready.sets.now(), ready.sets.columns
    rows = solved.pair_row[np.array(numbers), solved.n_faults].astype(np.int64)
    weight = solved.prior[rows] / solved.prior[rows].sum()
    found = {}
    for number, test in enumerate(columns.tests):
        if columns.column[number] < 0:
            continue
        chances = solved.chances.rows[solved.chances.which[rows, number]]
        gain = _entropy(weight @ chances) - float(weight @ _entropies(chances))
        if gain >= LEAST_BITS:
            minutes = test.minutes + sum(
                area.open_minutes + area.close_minutes
                for area in ready.machine.areas.values()
                if area.id == test.area
            )
            found[test.id] = (gain, max(minutes, 0.1))
    return found


def _entropies(chances: Floats) -> Floats:
    found: Floats = -(chances * np.log2(np.where(chances > 0.0, chances, 1.0))).sum(axis=-1)
    return found


def _entropy(chances: Floats) -> float:
    return float(_entropies(chances))
