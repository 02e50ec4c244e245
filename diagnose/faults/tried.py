"""What trying the machine after a repair shows, and how likely each of it is.

It runs; it does what one of its complaints says; it does something else. A complaint that does not
show on trying (flat again after two days) is looked for as well while it is what the job is about.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.behaviour import seen_on_trying
from diagnose.faults.manners import by_manner, first_weight
from diagnose.faults.outcomes import CHECK_SLIPS, FITS
from diagnose.faults.words import TRIED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.faults.behaviour import Behaviour
    from diagnose.faults.solved import Solved
    from diagnose.machine.model import Machine

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


def check_results(machine: Machine, complaint: str) -> tuple[str, ...]:
    """What the check after a repair can show on a job; that it runs comes first."""
    shown = seen_on_trying(machine)
    return shown if complaint in shown else (*shown, complaint)


def with_slips(shares: Floats) -> Floats:
    """(..., results) shares of the time as chances of what is taken to be shown."""
    found: Floats = (1.0 - CHECK_SLIPS) * shares + CHECK_SLIPS / shares.shape[-1]
    return found


def check_shares(
    behaviour: Behaviour,
    solved: Solved,
    complaint: str,
    rows: Ints,
    manners: Floats | None = None,
) -> Floats:
    """(rows, results) share of the time that the check shows each of `check_results`.

    Args:
        behaviour: the machine.
        solved: fault sets.
        complaint: what the job is about.
        rows: of the fault sets.
        manners: (rows, 3) shares of the manners in which loose joints stand; None: as nothing is
            known of that.
    """
    shown = _shown(behaviour, solved, complaint, rows)
    first = first_weight(solved.manners(rows) if manners is None else manners)
    by_turns = np.stack([first, 1.0 - first], axis=1)
    results = len(check_results(behaviour.machine, complaint))
    found: Floats = np.stack(
        [(by_turns * (shown == k)).sum(axis=1) for k in range(results)], axis=-1
    )
    return found


def always_runs(
    behaviour: Behaviour, solved: Solved, complaint: str, rows: Ints
) -> NDArray[np.bool_]:
    """(rows,) whether it runs however a loose joint stands; arguments as of `check_shares`."""
    return np.asarray((_shown(behaviour, solved, complaint, rows) == 0.0).all(axis=1), dtype=bool)


def _shown(behaviour: Behaviour, solved: Solved, complaint: str, rows: Ints) -> Floats:
    """(rows, 2) number of the result that each of the two readings is."""
    results = check_results(behaviour.machine, complaint)
    tried = solved.readings(behaviour.column[TRIED], rows)
    if complaint in seen_on_trying(behaviour.machine):
        return tried
    fits = solved.readings(behaviour.column[complaint], rows) == FITS
    return np.where(fits & (tried == 0.0), len(results) - 1.0, tried)


def shown_chances(
    behaviour: Behaviour, solved: Solved, complaint: str, shown: str
) -> list[tuple[int, Floats]]:
    """Observables, each with the chance that the check shows what it did.

    It is (manners, readings), see `diagnose.faults.manners`. A complaint is shown wherever it fits,
    whatever else fits too.

    Args:
        behaviour: the machine.
        solved: fault sets.
        complaint: what the job is about.
        shown: one of `check_results`, or another of the machine's complaints.
    """
    machine, results = behaviour.machine, check_results(behaviour.machine, complaint)
    if shown in machine.complaints:
        column, wanted = behaviour.column[shown], [FITS]
    else:
        column, wanted = behaviour.column[TRIED], [float(results.index(shown))]
    found = [(column, _taken(solved.values[column], wanted, len(results)))]
    if shown == results[0] and complaint not in seen_on_trying(machine):
        own = behaviour.column[complaint]
        found.append((own, 1.0 - _taken(solved.values[own], [FITS], len(results))))
    return found


def _taken(values: Floats, wanted: list[float], results: int) -> Floats:
    """(manners, readings) chance that something is taken to be shown."""
    share = by_manner(lambda own: np.isin(own, wanted).mean(axis=-1), values)
    found: Floats = (1.0 - CHECK_SLIPS) * share + CHECK_SLIPS / results
    return found
