"""Simulated repair orders: jobs of any world, kept as a shop's records keep them.

Machines are drawn with whatever is wrong with them; each is brought in as often as the complaints
that fit it are made. Who works it decides on a thinned belief (some hundred fault sets) by any
policy of `diagnose.ahead.policies`; the machine answers by its solved circuit, faults and all. What
is decided rests on nothing but what the order records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from diagnose.ahead.desk import Desk
from diagnose.ahead.play import MOST_ACTIONS, Dice, job_generator
from diagnose.ahead.policies import make_policy
from diagnose.ahead.problem import thinned_problem
from diagnose.ahead.state import ProblemBench
from diagnose.ahead.world import outcome_of
from diagnose.belief.situation import Situation
from diagnose.faults.manners import reading_of_two
from diagnose.faults.outcomes import FIRST_OF_TWO, TRY, complaint_chances, spread_of, wording
from diagnose.faults.tried import check_results
from diagnose.machine.model import NEW_PART
from diagnose.rule.prepared import prepared
from diagnose.trial.shop import Shop, Truth, draw_machines
from diagnose.trial.worlds import ready_world

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Test
    from diagnose.rule.prepared import Prepared

    Floats = NDArray[np.float64]

Row = dict[str, Any]
"""One row of a table, by the columns of `datasets/columns.csv`; what is empty is left out."""

ON_THE_WHOLE_BELIEF = frozenset({"source_to_load"})
"""Policies that read the situation itself and so cannot decide on a thinned belief."""

MOST_SAME = 2
"""The same repair is done at most so often on an order; then it is handed over."""

MOST_LATER = 3
"""An order comes back at most so often."""


@dataclass(frozen=True, slots=True)
class Practice:
    """How a shop works and keeps its records.

    Attributes:
        policy: see `diagnose.ahead.policies.POLICIES`.
        held: fault sets of the thinned belief that decides.
        begins: when the first order is opened.
        days: over so many days they are spread evenly.
        shop: its id.
        first: number of the first order.
        cause_named: chance that an order that ended with the machine running names a cause.
        cause_seen: chance that a cause which was there was seen on the part.
        wrong_cause: chance that a cause said to be seen is another mode, drawn evenly.
        wrong_words: chance that a complaint is any other one, beyond the file's own share.
        lost_steps: share of findings that were never written down.
        without_steps: share of orders of which no step was.
        handed_over: share of the orders handed over that are kept in the records.
        looks_for_causes: share of the orders on which all shared causes are looked for first.
        minutes_spread: standard deviation of the logarithm of minutes of labour.
        comes_back: chance that a machine which runs, with something left that stops it now and
            then, is brought back within `comeback_days`.
        comeback_days: see there.
        readings: whether numbers are written down beside outcomes.
    """

    policy: str = "gate"
    held: int = 300
    begins: datetime = datetime(2024, 10, 1, tzinfo=UTC)
    days: float = 730.0
    shop: str = "shop"
    first: int = 1
    cause_named: float = 0.8
    cause_seen: float = 0.5
    wrong_cause: float = 0.0
    wrong_words: float = 0.0
    lost_steps: float = 0.0
    without_steps: float = 0.0
    handed_over: float = 1.0
    looks_for_causes: float = 0.0
    minutes_spread: float = 0.3
    comes_back: float = 0.5
    comeback_days: float = 30.0
    readings: bool = False


class Tables(NamedTuple):
    """Orders and their steps, as rows.

    Attributes:
        orders, steps: rows of the two tables.
        truths: what was wrong with each order's machine, (part, mode) of every fault.
    """

    orders: list[Row]
    steps: list[Row]
    truths: list[tuple[tuple[str, str], ...]]


def simulated_orders(
    machine: Machine,
    count: int,
    seed: int,
    *,
    truth: Machine | None = None,
    practice: Practice | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Tables:
    """Orders of a shop.

    The same seed gives the same orders; more of them begin with those of a shorter run, but for
    when they were opened.

    Args:
        machine: as the shop believes it to be.
        count: orders, not counting those that come back.
        seed: of all random numbers.
        truth: how the machines really are; default: as believed.
        practice: how the shop works.
        progress: called with the orders done and the orders in all.

    Raises:
        UnknownNameError: no such policy.
        NetworkError: the truth has other faults than the machine.
    """
    shop = practice or Practice()
    believed = prepared(machine)
    ready = believed if truth is None else ready_world(machine, truth)
    books = _Books(believed, ready, shop, seed)
    for number, (complaint, drawn) in enumerate(_brought_in(ready, shop, count, seed)):
        books.work(number, count, complaint, drawn)
        if progress is not None:
            progress(number + 1, count)
    return Tables(books.orders, books.steps, books.truths)


def _brought_in(
    ready: Prepared, shop: Practice, count: int, seed: int
) -> Iterator[tuple[str, Truth]]:
    """Machines as they come: the complaint told and what is wrong, one after the other."""
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(0, 1))))
    names, left = list(ready.machine.complaints), count
    while left > 0:
        machines = draw_machines(ready, rng)
        told = told_chances(ready, [machine.faults for machine in machines])
        own = rng.random(len(machines)) * len(names) < told.sum(axis=1)
        for place in np.flatnonzero(own).tolist()[:left]:
            number = outcome_of(told[place], float(rng.random()))
            if rng.random() < shop.wrong_words:
                number = int(rng.integers(len(names)))
            yield names[number], machines[place]
            left -= 1


def told_chances(ready: Prepared, sets: list[tuple[int, ...]]) -> Floats:
    """(sets, complaints) chance that each complaint is made of a machine.

    Of a machine that several complaints fit their sum may be more than 1: it is brought in so much
    more often than one that a single complaint fits.

    Args:
        ready: the machine.
        sets: what is wrong.
    """
    few = list(dict.fromkeys(sets))
    solved = ready.sets.with_sets(few)
    number = {faults: place for place, faults in enumerate(few)}
    rows = np.array([solved.row(faults) for faults in few], dtype=np.int64)
    machine, column = ready.machine, ready.behaviour.column
    told = [
        complaint_chances(solved.readings(column[name], rows), wording(machine, name))[:, 0]
        for name in machine.complaints
    ]
    return np.stack(told, axis=1)[[number[faults] for faults in sets]]


@dataclass(slots=True)
class _Order:
    """An order being worked."""

    opened: datetime
    rng: np.random.Generator
    rows: list[Row] = field(default_factory=list)
    minutes: float = 0.0
    seen: str = ""
    repaired: list[tuple[int, Truth]] = field(default_factory=list)

    def note(self, minutes: float, spread: float, **row: Any) -> None:
        """Write a step down; minutes are spread around what the file says."""
        spent = minutes * float(np.exp(spread * self.rng.standard_normal() - spread**2 / 2.0))
        self.minutes += spent
        at = self.opened + timedelta(minutes=self.minutes)
        stated = {"minutes": round(spent, 2)} if minutes else {}
        self.rows.append({"at": _iso(at), "by": "bench", **row, **stated})


class _Books:
    """The records of a shop as they fill."""

    def __init__(self, believed: Prepared, ready: Prepared, shop: Practice, seed: int) -> None:
        """Begin empty books."""
        self.orders: list[Row] = []
        self.steps: list[Row] = []
        self.truths: list[tuple[tuple[str, str], ...]] = []
        self._believed, self._ready, self._shop, self._seed = believed, ready, shop, seed
        # What is done is decided by the minutes believed, and takes those that it takes.
        self._tests = list(ready.machine.tests.values())
        self._policy = make_policy(shop.policy)
        self._benches: dict[str, Any] = {}
        self._shops: dict[str, Shop] = {}
        self._decided: dict[str, dict[Any, int]] = {}

    def work(self, number: int, count: int, complaint: str, drawn: Truth) -> None:
        """Work an order, and those that it comes back as."""
        shop, rng = self._shop, job_generator(self._seed, number + 1)
        opened = shop.begins + timedelta(days=shop.days * (number + float(rng.random())) / count)
        name, before, closed = f"{shop.shop}_{shop.first + number:06d}", "", opened
        for again in range(MOST_LATER + 1):
            own = name if not again else f"{name}_{again}"
            order = _Order(opened, rng)
            ended, left = self._worked(order, complaint, drawn)
            row = self._row(own, order, complaint, ended, drawn)
            if before:
                days = (opened - closed).total_seconds() / 86400.0
                row |= {"comeback_of": before, "days_to_comeback": round(days, 2)}
            self._keep(row, order, drawn, ended)
            told = told_chances(self._ready, [left.faults])[0]
            if ended != "runs" or told.sum() < 0.05 or rng.random() >= shop.comes_back:
                break
            before, closed = own, opened + timedelta(minutes=order.minutes)
            opened = closed + timedelta(days=shop.comeback_days * float(rng.random()))
            complaint = list(self._ready.machine.complaints)[outcome_of(told, float(rng.random()))]
            drawn = left

    def _keep(self, row: Row, order: _Order, drawn: Truth, ended: str) -> None:
        """Enter an order in the records, as far as it is entered at all."""
        shop, rng = self._shop, order.rng
        if ended == "handed_over" and rng.random() >= shop.handed_over:
            return
        self.orders.append(row)
        self.truths.append(tuple(self._ready.faults[f] for f in drawn.faults))
        if rng.random() < shop.without_steps:
            return
        kept = [
            step
            for step in order.rows
            if step["kind"] != "finding" or rng.random() >= shop.lost_steps
        ]
        for seq, step in enumerate(kept, 1):
            self.steps.append({"order_id": row["order_id"], "seq": seq, **step})

    def _worked(self, order: _Order, complaint: str, truth: Truth) -> tuple[str, Truth]:
        """Work an order to its end: how it ended, and what is still wrong."""
        bench, shop = self._bench(complaint), self._shops[complaint]
        costs, now, spread = bench.costs, bench.start, self._shop.minutes_spread
        dice = Dice.throw(truth, costs.n_tests, order.rng)
        order.note(0.0, spread, kind="told", outcome=complaint)
        if self._shop.looks_for_causes > 0.0:
            now = self._causes_looked_for(order, shop, bench, truth)
        for _ in range(MOST_ACTIONS):
            do = costs.hand_over if now is None else self._decide(complaint, bench, now)
            if do == costs.hand_over or _again(order, do - costs.n_tests):
                order.note(0.0, spread, kind="handed_over")
                return "handed_over", truth
            tried = len(order.repaired)
            if do < costs.n_tests:
                outcome = shop.answer(truth, do, float(dice.tests[tried, do]))
                self._open(order, now, int(costs.at(now.standing.open_areas).test_opens[do]))
                self._tested(order, truth, do, outcome)
                now = bench.after_test(now, do, outcome)
                continue
            repair = do - costs.n_tests
            chance = dice.repairs[tried]
            self._open(order, now, int(costs.at(now.standing.open_areas).repair_opens[repair]))
            order.repaired.append((repair, truth))
            truth = shop.mend(truth, repair, float(chance[0]))
            result = outcome_of(shop.checks(truth), float(chance[1]))
            self._repaired(order, complaint, repair, result)
            if result == 0:
                return "runs", truth
            now = bench.after_repair(now, repair, result)
        order.note(0.0, spread, kind="handed_over")
        return "handed_over", truth

    def _causes_looked_for(self, order: _Order, shop: Shop, bench: Any, truth: Truth) -> Any:
        """Where a job stands once all shared causes were looked for, if they are."""
        now, columns = bench.start, self._believed.sets.columns.column
        if order.rng.random() >= self._shop.looks_for_causes:
            return now
        for do in np.flatnonzero(columns[: bench.costs.n_tests] < 0).tolist():
            if now is not None:
                outcome = shop.answer(truth, do, float(order.rng.random()))
                self._open(order, now, int(bench.costs.at(now.standing.open_areas).test_opens[do]))
                self._tested(order, truth, do, outcome)
                now = bench.after_test(now, do, outcome)
        return now

    def _bench(self, complaint: str) -> Any:
        if complaint not in self._benches:
            ready, begun = self._believed, Situation(complaint)
            if self._shop.policy in ON_THE_WHOLE_BELIEF:
                self._benches[complaint] = Desk(ready, begun)
            else:
                belief = ready.belief(begun)
                problem = thinned_problem(ready, complaint, belief, self._shop.held)
                self._benches[complaint] = ProblemBench(problem)
            self._shops[complaint] = Shop(self._ready, complaint)
            self._decided[complaint] = {}
        return self._benches[complaint]

    def _decide(self, complaint: str, bench: Any, state: Any) -> int:
        decided = self._decided[complaint]
        if state.key not in decided:
            decided[state.key] = self._policy(bench, state)
        return decided[state.key]

    def _open(self, order: _Order, state: Any, opened: int) -> None:
        costs = self._believed.costs
        fresh = opened & ~state.standing.open_areas
        for place, area in enumerate(costs.area_names):
            if fresh >> place & 1:
                minutes = self._ready.machine.areas[area].open_minutes
                order.note(minutes, self._shop.minutes_spread, kind="area_opened", area=area)

    def _tested(self, order: _Order, truth: Truth, number: int, outcome: int) -> None:
        test = self._believed.sets.columns.tests[number]
        shown = test.outcomes[outcome].id
        if test.kind == TRY and shown in self._believed.machine.complaints:
            order.seen = order.seen or shown
        read = self._read(order, truth, number, outcome) if self._shop.readings else {}
        order.note(
            self._tests[number].minutes, self._shop.minutes_spread, kind="finding", test=test.id,
            outcome=shown, **read,
        )  # fmt: skip

    def _read(self, order: _Order, truth: Truth, number: int, outcome: int) -> Row:
        """A number that stands for the outcome, as near to what is there as it can be."""
        test, ready = self._believed.sets.columns.tests[number], self._ready
        if test.unit is None or not _is_range(test, outcome):
            return {}
        solved = ready.sets.with_sets([truth.faults])
        row = np.array([solved.row(truth.faults)], dtype=np.int64)
        column = int(ready.sets.columns.column[number])
        values = solved.readings(column, row)[0]
        apart = bool(order.rng.random() < 1.0 - FIRST_OF_TWO)
        value = float(values[reading_of_two(truth.manner, apart_now=apart)])
        value += float(spread_of(test, np.array(value))) * float(order.rng.standard_normal())
        low, high = _range(test, outcome)
        inside = (high - low) * 1e-3
        return {"reading": round(min(max(value, low), high - inside), 4), "unit": test.unit}

    def _repaired(self, order: _Order, complaint: str, number: int, result: int) -> None:
        machine, spread = self._ready.machine, self._shop.minutes_spread
        part, _, name = self._believed.costs.repairs.names[number].partition(".")
        repair = next(r for r in machine.parts[part].repairs if r.id == name)
        new = "yes" if name == NEW_PART else "no"
        order.note(repair.minutes, spread, kind="repaired", part=part, repair=name, fitted_new=new)
        shown = check_results(machine, complaint)[result]
        order.note(machine.shop.check_minutes, spread, kind="tried", result=shown)

    def _row(self, name: str, order: _Order, complaint: str, ended: str, drawn: Truth) -> Row:
        """The row of an order."""
        machine, closed = self._believed.machine, order.opened + timedelta(minutes=order.minutes)
        row: Row = {
            "order_id": name,
            "shop": self._shop.shop,
            "machine": machine.id,
            "machine_version": machine.version,
            "opened_at": _iso(order.opened),
            "closed_at": _iso(closed),
            "complaint_told": complaint,
            "ended": ended,
            "labour_minutes": round(order.minutes, 1),
        }
        if order.seen:
            row["complaint_seen"] = order.seen
        return row | self._cause(order, ended, drawn)

    def _cause(self, order: _Order, ended: str, drawn: Truth) -> Row:
        """What the record names as the cause: what the last repair put right, or what it fitted."""
        shop, rng, faults = self._shop, order.rng, self._ready.faults
        if ended != "runs" or rng.random() >= shop.cause_named:
            return {}
        repair, before = order.repaired[-1]
        fixes = self._believed.costs.repairs.fixes[repair]
        mended = [f for f in before.faults if fixes[f] and f in drawn.faults]
        if mended and rng.random() < shop.cause_seen:
            fault = mended[0]
            if rng.random() < shop.wrong_cause:
                fault = int(rng.integers(self._ready.behaviour.n_listed))
            return {**_named(faults[fault]), "cause_seen": "yes"}
        could = np.flatnonzero(fixes)
        guess = could[int(np.argmax(self._believed.behaviour.priors[could]))]
        return {**_named(faults[int(guess)]), "cause_seen": "no"}


def _again(order: _Order, repair: int) -> bool:
    """Whether a repair was done twice already: nobody does it a third time."""
    return sum(done == repair for done, _ in order.repaired) >= MOST_SAME


def _named(fault: tuple[str, str]) -> Row:
    return {"cause_part": fault[0], "cause_mode": fault[1]}


def _is_range(test: Test, outcome: int) -> bool:
    """Whether an outcome stands for a range of readings."""
    return outcome <= sum(o.at_least is not None for o in test.outcomes)


def _range(test: Test, outcome: int) -> tuple[float, float]:
    """Readings that an outcome stands for, lowest and highest."""
    bounds = [o.at_least for o in test.outcomes if o.at_least is not None]
    low = bounds[outcome] if outcome < len(bounds) else test.low
    high = bounds[outcome - 1] if outcome else test.high
    return max(low, test.low), min(high, test.high) if math.isfinite(high) else test.high


def _iso(at: datetime) -> str:
    return at.isoformat(timespec="seconds")
