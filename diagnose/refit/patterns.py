"""What closed orders say, told apart: orders with the same story are one pattern with a count.

An order's steps become a situation as the belief knows it: the complaint told, what was found (as
outcomes; a number on a meter stands for the outcome it falls into), repairs and the checks after
them. The order in which tests were done between two repairs does not matter.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.errors import DiagnoseError
from diagnose.faults.readings import check_reading, outcome_of
from diagnose.faults.temperature import volts_to_add
from diagnose.machine.model import OTHER, RUNS, SAME

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine

Row = dict[str, Any]

WINDOW_DAYS = 60.0
"""A machine that comes back within so many days was not put right. Estimate."""

NO_STEPS, COMEBACK, UNKNOWN = "no steps", "comeback", "another complaint"
"""Why an order is set aside."""


@dataclass(frozen=True, slots=True, order=True)
class Pattern:
    """The story of one or more orders.

    Attributes:
        key: a text that is the same for the same story; patterns are sorted by it.
        situation: what was told, found and done.
        cause: (part, mode) seen broken on the part, None where none was.
    """

    key: str
    situation: Situation
    cause: tuple[str, str] | None


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """Patterns with how many orders tell each.

    Attributes:
        patterns: sorted by key.
        counts: (patterns,) orders of each.
        aside: why -> how many orders were set aside.
    """

    patterns: tuple[Pattern, ...]
    counts: NDArray[np.int64]
    aside: Mapping[str, int]

    @property
    def orders(self) -> int:
        """How many orders count."""
        return int(self.counts.sum())


def make_pattern(
    situation: Situation, cause: tuple[str, str] | None, *, as_done: bool = False
) -> Pattern:
    """A pattern; what does not bear on the faults is left out of the situation.

    Args:
        situation: what was told, found and repaired.
        cause: what was seen to have failed.
        as_done: keep findings in the order of the job, for what each said when it was found;
            sorted, there are far fewer patterns, and the belief in the end is the same.
    """
    ordered = tuple if as_done else _sorted
    past = tuple(replace(e, findings=ordered(e.findings)) for e in situation.past)
    plain = Situation(situation.complaint, ordered(situation.findings), past=past)
    stretches = [f"{_said(e.findings)}>{_done(e.repair)}" for e in past]
    parts = (plain.complaint, *stretches, _said(plain.findings), ".".join(cause or ()))
    return Pattern("|".join(parts), plain, cause)


def merged(counted: Iterable[Counted]) -> Counted:
    """Several counts as one, the same whatever the split and its order."""
    parts = list(counted)
    told = [pair for own in parts for pair in zip(own.patterns, own.counts.tolist(), strict=True)]
    aside = Counter[str]()
    for own in parts:
        aside.update(own.aside)
    return make_counted(told, aside)


def counted(machine: Machine, orders: Sequence[Row], steps: Mapping[str, Sequence[Row]]) -> Counted:
    """Count the patterns of orders.

    Args:
        machine: the machine of all of them.
        orders: rows of the orders table; what is empty is None.
        steps: order's id -> its rows of the steps table, in their order.
    """
    why = Counter(why_aside(machine, order, steps) for order in orders)
    told = [(pattern, 1) for _, pattern in told_by(machine, orders, steps)]
    return make_counted(told, {reason: n for reason, n in why.items() if reason})


def make_counted(told: Iterable[tuple[Pattern, int]], aside: Mapping[str, int]) -> Counted:
    """Patterns, each with how many orders tell it, put together and sorted.

    Args:
        told: patterns, the same one as often as it may be.
        aside: why -> orders set aside.
    """
    total, by_key = Counter[str](), dict[str, Pattern]()
    for pattern, count in told:
        total[pattern.key] += count
        by_key[pattern.key] = pattern
    keys = sorted(total)
    counts = np.array([total[key] for key in keys], dtype=np.int64)
    return Counted(tuple(by_key[key] for key in keys), counts, dict(sorted(aside.items())))


def told_by(
    machine: Machine,
    orders: Sequence[Row],
    steps: Mapping[str, Sequence[Row]],
    *,
    as_done: bool = False,
) -> list[tuple[Row, Pattern]]:
    """The orders that count, each with its pattern; arguments as of `counted`, `make_pattern`."""
    came_back = {
        order["comeback_of"]
        for order in orders
        if order.get("comeback_of") and _days(order) <= WINDOW_DAYS
    }
    return [
        (order, pattern_of(machine, order, steps[name], name in came_back, as_done=as_done))
        for order in orders
        for name in [order["order_id"]]
        if not why_aside(machine, order, steps)
    ]


def why_aside(machine: Machine, order: Row, steps: Mapping[str, Sequence[Row]]) -> str:
    """Why an order does not count; empty where it does.

    A machine that came back is no new draw of what is wrong with machines. Orders of which no
    step was kept tell only what was repaired, which is the mechanic's choice; read as the cause,
    they mislead.
    """
    if order.get("comeback_of"):
        return COMEBACK
    if order.get("complaint_told") not in machine.complaints:
        return UNKNOWN
    rows = steps.get(order["order_id"], ())
    if not any(row["kind"] in {"finding", "repaired"} for row in rows):
        return NO_STEPS
    return ""


def pattern_of(
    machine: Machine,
    order: Row,
    steps: Sequence[Row],
    came_back: bool = False,
    *,
    as_done: bool = False,
) -> Pattern:
    """The pattern of an order.

    Args:
        machine: its machine.
        order: its row.
        steps: its steps, in their order.
        came_back: whether the machine was soon back: that it ran at the end says nothing then.
        as_done: see `make_pattern`.
    """
    celsius = order.get("temperature_celsius")
    situation = situation_of(machine, str(order["complaint_told"]), steps, celsius)
    if came_back and situation.past:
        *past, last = situation.past
        last = replace(last, repair=replace(last.repair, check=None))
        situation = replace(situation, past=(*past, last))
    return make_pattern(situation, _cause(machine, order), as_done=as_done)


def situation_of(
    machine: Machine, complaint: str, steps: Sequence[Row], celsius: float | None = None
) -> Situation:
    """What an order's steps come to.

    Steps that were taken back are left out; a test or repair that the machine does not have says
    nothing.

    Args:
        machine: the machine.
        complaint: what was told.
        steps: rows, in their order.
        celsius: temperature of the battery; None: that of the limits.
    """
    findings, past = dict[str, Finding](), list[Epoch]()
    for row in _standing(steps):
        kind, test = row["kind"], row.get("test")
        if kind in {"finding", "looked_again"} and test in machine.tests:
            finding = _finding(machine, row, celsius)
            before = findings.get(str(test))
            if finding is not None and kind == "looked_again" and before is not None:
                finding = before.looked_again(finding)
            if finding is not None:
                findings[finding.test] = finding
        elif kind == "withdrawn":
            findings.pop(str(test), None)
        elif kind == "repaired" and _has_repair(machine, row):
            done = RepairDone(str(row["part"]), str(row["repair"]), None)
            past.append(Epoch(tuple(findings.values()), done))
            findings = {}
        elif kind == "tried" and past and not findings:
            check = _check(machine, row, complaint)
            last = past[-1]
            past[-1] = replace(last, repair=replace(last.repair, check=check))
    return Situation(complaint, tuple(findings.values()), past=tuple(past))


def _standing(steps: Sequence[Row]) -> list[Row]:
    """The steps that were not taken back."""
    kept: list[Row] = []
    for row in steps:
        if row["kind"] == "undone":
            del kept[-1:]
        else:
            kept.append(row)
    return kept


def _finding(machine: Machine, row: Row, celsius: float | None) -> Finding | None:
    """A finding as an outcome; None where the row says none that the test has."""
    test, reading = machine.tests[row["test"]], row.get("reading")
    outcome = row.get("outcome")
    if outcome not in {o.id for o in test.outcomes} and reading is not None:
        try:
            value = check_reading(test, float(reading))
        except DiagnoseError:
            return None
        shift = 0.0 if celsius is None else volts_to_add(machine, test, celsius)
        outcome = outcome_of(test, value + shift)
    if outcome not in {o.id for o in test.outcomes}:
        return None
    sure = row.get("sure")
    return Finding(test.id, str(outcome), sure=1.0 if sure is None else _tenths(float(sure)))


def _tenths(sure: float) -> float:
    """How sure, to a tenth: finer differences would only make more patterns."""
    return min(max(round(sure, 1), 0.1), 1.0)


def _has_repair(machine: Machine, row: Row) -> bool:
    part = machine.parts.get(row.get("part") or "")
    return part is not None and any(r.id == row.get("repair") for r in part.repairs)


def _check(machine: Machine, row: Row, complaint: str) -> str | None:
    shown = row.get("result")
    if shown == SAME:
        return complaint
    return shown if shown in {RUNS, OTHER, *machine.complaints} else None


def _cause(machine: Machine, order: Row) -> tuple[str, str] | None:
    """The cause, where it was seen on the part; else what was repaired has said it already."""
    if order.get("cause_seen") != "yes":
        return None
    part = machine.parts.get(order.get("cause_part") or "")
    mode = order.get("cause_mode")
    return (part.id, str(mode)) if part is not None and mode in part.modes else None


def _days(order: Row) -> float:
    days = order.get("days_to_comeback")
    return 0.0 if days is None else float(days)


def _sorted(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda finding: finding.test))


def _said(findings: tuple[Finding, ...]) -> str:
    return ",".join(
        f"{f.test}={f.outcome}"
        + ("" if f.sure == 1.0 else f"@{f.sure}")
        + "".join(f"~{look}" for look in (*f.others, *([f.outcome] if f.confirmed else [])))
        for f in findings
    )


def _done(done: RepairDone) -> str:
    return f"{done.part}.{done.repair}={done.check or ''}"
