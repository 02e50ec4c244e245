"""Refitting a machine's priors from closed repair orders."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.errors import RequestError
from diagnose.machine.load import load_machine
from diagnose.machine.model import Machine
from diagnose.refit.counts import (
    comebacks,
    confusion,
    labour,
    share_of,
)
from diagnose.refit.evidence import joint, make_evidence, run_pass
from diagnose.refit.fit import ROUGHLY, SPREADS, fit, fit_rates, scaled, usual_prior
from diagnose.refit.groups import groups_of
from diagnose.refit.handed import hand_over_chances, missing_share, without_handed_over
from diagnose.refit.likelihood import LABEL_ERROR, make_rows
from diagnose.refit.model import at_rates, make_model
from diagnose.refit.patterns import Counted, counted
from diagnose.refit.result import Refit
from diagnose.refit.slips import bad_new_parts, slips_of
from diagnose.refit.told import LEAST, MOST, make_said, with_words, words_of, words_with
from diagnose.rule.prepared import prepared
from diagnose.steps.columns import columns

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    from diagnose.machine.overlay import Overlay
    from diagnose.refit.evidence import Evidence
    from diagnose.refit.likelihood import Row as Likelihood
    from diagnose.refit.patterns import Pattern, Row
    from diagnose.refit.told import Said
    from diagnose.rule.prepared import Prepared

    Progress = Callable[[int, int], None]

OTHER_MACHINE, OTHER_VERSION = "another machine", "another version of the machine"
"""Why orders are set aside before anything is read."""

NOTHING = share_of(0, 0, 0.005)
"""What is known of new parts before the orders are gone through for them."""

MOST_TURNS, WORDS_STAY = 8, 0.003
"""Rates and words are fitted in turn so often at most, or until no share of fitting words moves by
more than the second."""

ENOUGH = 50
"""With fewer orders it is not asked whether those handed over are missing. Estimate."""

SURELY = 3.0
"""So many orders should have been handed over, and none was: by chance in one of twenty tables."""

LOOKED_FOR = 30
"""A shared cause's factors are fitted where it was looked for on so many orders. Estimate."""


def refit(  # noqa: PLR0913 - each says another thing about the fit
    orders: pd.DataFrame,
    steps: pd.DataFrame,
    machine: str | Path | Machine,
    *,
    shipped: Overlay | None = None,
    label_error: float = LABEL_ERROR,
    spreads: Sequence[float] = SPREADS,
    progress: Progress | None = None,
    executor: Executor | None = None,
    pieces: int = 1,
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
        executor: where these are worked out, e.g. `distributed.Client(address).get_executor()`;
            default: here.
        pieces: into so many pieces they are split for it; the result has the same bits.

    Raises:
        RequestError: no order can be used.
        MachineFileError, CircuitError, NetworkError: the machine cannot be read or solved.
        PriorsMismatchError: the priors in use are another machine's.
    """
    orders, steps = complete("orders", orders), complete("steps", steps)
    plain = machine if isinstance(machine, Machine) else load_machine(machine)
    known = plain if shipped is None else shipped.applied(plain)
    usable, aside = _usable(plain, orders)
    told = counted(known, rows_of(usable), by_order(steps))
    told = Counted(told.patterns, told.counts, {**aside, **told.aside})
    own = steps[steps["order_id"].isin(usable["order_id"])]
    done = refit_counted(
        plain,
        told,
        shipped=shipped,
        label_error=label_error,
        spreads=spreads,
        progress=progress,
        handed_over=len(usable) < ENOUGH or bool((usable["ended"] == "handed_over").any()),
        executor=executor,
        pieces=pieces,
    )
    return replace(
        done,
        window=_window(usable),
        confusion=confusion(known, usable),
        minutes=labour(known, own),
        comeback=comebacks(usable),
    )


def refit_counted(  # noqa: PLR0913 - each says another thing about the fit
    machine: Machine,
    told: Counted,
    *,
    shipped: Overlay | None = None,
    label_error: float = LABEL_ERROR,
    spreads: Sequence[float] = SPREADS,
    progress: Progress | None = None,
    handed_over: bool = True,
    executor: Executor | None = None,
    pieces: int = 1,
) -> Refit:
    """Refit a machine's priors from patterns that were counted already, however many orders.

    Minutes, comebacks and what was told against what was seen are not in the patterns: those stay
    empty. The window is empty too.

    Args:
        machine: as of `refit`.
        told: the patterns, as `diagnose.refit.large.counted_from` counts them.
        shipped: as of `refit`.
        label_error: as of `refit`.
        spreads: as of `refit`.
        progress: as of `refit`.
        handed_over: whether the records hold the orders that were handed over.
        executor: where the patterns are worked out; default: here.
        pieces: into so many pieces they are split for it; the result has the same bits.

    Raises: as `refit`.
    """
    known = machine if shipped is None else shipped.applied(machine)
    ready = prepared(known)
    if not told.orders:
        raise RequestError(f"no order of {machine.id} can be used: {told.aside}", "orders")
    if executor is None:
        rows = make_rows(ready.sets, told.patterns, label_error, progress)
    else:
        rows = rows_from(executor, known, told.patterns, label_error, pieces)
    model = make_model(ready.behaviour, ready.sets.priors, looked_for(ready, told))
    evidence = make_evidence(ready.sets, model, rows, told.counts.tolist())
    missing: tuple[str, ...] = ()
    if not handed_over:
        evidence, missing = _complete_records(ready, evidence)
    evidence, said = _with_words(ready, evidence, told)
    fitted = fit(evidence, spreads=spreads)
    shares = np.array([c.words_fit_percent / 100.0 for c in known.complaints.values()])
    words, left = words_with(evidence, said, fitted.log_ratio, shares, fitted.information)
    fitted = replace(fitted, information=fitted.information if left is None else left)
    scale = scaled(model, fitted)
    done = Refit(
        machine=machine,
        parent=shipped,
        window=("", ""),
        counted=told,
        evidence=evidence,
        fitted=fitted,
        known=scale,
        groups=tuple(groups_of(model, scale)),
        words=words,
        confusion=pd.DataFrame(),
        slips={},
        minutes={},
        new_part_bad=NOTHING,
        comeback=NOTHING,
        warnings=(*missing, *_warnings(told, rows_explained=evidence.orders)),
    )
    return _unseen(done)


def rows_from(
    executor: Executor,
    machine: Machine,
    patterns: Sequence[Pattern],
    label_error: float,
    pieces: int,
) -> list[Likelihood]:
    """What each pattern tells, worked out wherever an executor sends it."""
    jobs = [
        executor.submit(_rows_of, machine, patterns[piece::pieces], label_error)
        for piece in range(pieces)
    ]
    found: dict[int, Likelihood] = {}
    for piece, job in enumerate(jobs):
        found |= dict(zip(range(piece, len(patterns), pieces), job.result(), strict=True))
    return [found[place] for place in range(len(patterns))]


def _rows_of(machine: Machine, patterns: Sequence[Pattern], label_error: float) -> list[Likelihood]:
    return make_rows(prepared(machine).sets, patterns, label_error)


def looked_for(ready: Prepared, told: Counted) -> frozenset[str]:
    """Shared causes that were looked for on enough orders to learn by how much they raise modes."""
    columns, often = ready.sets.columns, Counter[int]()
    causes = {
        test.id: int(columns.cause[number])
        for number, test in enumerate(columns.tests)
        if columns.column[number] < 0
    }
    for pattern, count in zip(told.patterns, told.counts.tolist(), strict=True):
        stretches = [pattern.situation.findings, *(e.findings for e in pattern.situation.past)]
        tests = {finding.test for findings in stretches for finding in findings}
        for cause in {causes[test] for test in tests if test in causes}:
            often[cause] += count
    names = ready.sets.priors.causes
    return frozenset(names[cause] for cause, count in often.items() if count >= LOOKED_FOR)


def _with_words(ready: Prepared, evidence: Evidence, told: Counted) -> tuple[Evidence, Said]:
    """The orders, worked out with the shares of fitting words that they speak for themselves.

    Rates and words in turn, until the words stay.
    """
    said = make_said(ready.sets, evidence, told.patterns)
    shipped, at = said.right, np.zeros(evidence.model.n)
    for _ in range(MOST_TURNS):
        run = partial(run_pass, evidence)
        prior = usual_prior(evidence.model)
        at = fit_rates(evidence.model, run, prior, at, orders=evidence.orders, tolerance=ROUGHLY)[0]
        words = words_of(evidence, said, at, shipped)
        right = np.array([words[name].value for name in said.names])
        moved = float(np.abs(right - said.right).max())
        # Each turn goes part of the way; the next begins beyond it.
        right = np.clip(right + 0.5 * (right - said.right), LEAST, MOST)
        evidence, said = with_words(evidence, said, right), replace(said, right=right)
        if moved < WORDS_STAY:
            break
    return evidence, said


def _complete_records(ready: Prepared, evidence: Evidence) -> tuple[Evidence, tuple[str, ...]]:
    """The orders, those handed over taken for missing where there should be some and are none."""
    left = without_handed_over(evidence, hand_over_chances(ready))
    chance = joint(evidence, at_rates(evidence.model, np.zeros(evidence.model.n))).sum(axis=1)
    missing = missing_share(evidence, left, chance)
    if missing * evidence.orders < SURELY:
        return evidence, ()
    warning = (
        f"No order was handed over, where {100.0 * missing:.0f} % should be. They are taken to be "
        "left out of the table, and rates are corrected as if the shop handed over what the "
        "advice does. Add them: then nothing needs to be supposed."
    )
    return left, (warning,)


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


def _unseen(done: Refit) -> Refit:
    """A refit with slips and bad new parts, by what the fitted rates make of the orders."""
    before = done.parent
    overlay = replace(
        done.overlay(),
        minutes={},
        slip_percent={} if before is None else dict(before.slip_percent),
        new_part_bad_per_1000=None if before is None else before.new_part_bad_per_1000,
    )
    slips = slips_of(done.machine, overlay, done.counted)
    return replace(
        done, slips=slips, new_part_bad=bad_new_parts(done.machine, overlay, done.counted)
    )


def _warnings(told: Counted, rows_explained: int) -> tuple[str, ...]:
    rest = told.orders - rows_explained
    why = f"{rest} orders tell what no set of faults can give; they are left out."
    return (why,) if rest else ()
