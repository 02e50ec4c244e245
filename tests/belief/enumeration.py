"""A referee of beliefs on small machines: every combination of everything that can be wrong.

It holds one number for each combination of free causes and each fault set, all of them, and goes
through a job by multiplying and summing over that table. Priors come from the machine file's
figures, chances of outcomes from the instruments' own description with scipy's normal
distribution. What it shares with the engine are the readings of the solved circuit, which have
referees of their own (`tests/circuit`), and the constants of the instruments, all estimates.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from diagnose.faults import outcomes as known
from diagnose.faults.readings import HIGH_OHMS, LEAST_RELATIVE_SPREAD, LOW_OHMS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.belief.situation import Finding, RepairDone, Situation
    from diagnose.faults.behaviour import Behaviour
    from diagnose.machine.model import Part, Repair, SharedCause, Test

JOBS_OF_MACHINES = 0.25
"""Of four machines standing about, one would be a job (`words.SHARE_OF_MACHINES`; estimate)."""


@dataclass(frozen=True, eq=False)
class Everything:
    """All that can be wrong with a machine."""

    behaviour: Behaviour

    @cached_property
    def causes(self) -> tuple[SharedCause, ...]:
        """Causes that are no part's failure."""
        return tuple(c for c in self.behaviour.machine.shared_causes.values() if c.part is None)

    @cached_property
    def combinations(self) -> list[frozenset[str]]:
        """Which free causes are there."""
        names = [cause.id for cause in self.causes]
        sizes = range(len(names) + 1)
        return [frozenset(c) for n in sizes for c in itertools.combinations(names, n)]

    @cached_property
    def sets(self) -> list[tuple[int, ...]]:
        """Every fault set: for each part, and for what is not listed, no fault or one of its."""
        faults: dict[int, list[int | None]] = {}
        for number, part in enumerate(self.behaviour.part_of.tolist()):
            faults.setdefault(part, [None]).append(number)
        return [
            tuple(sorted(f for f in choice if f is not None))
            for choice in itertools.product(*faults.values())
        ]

    @cached_property
    def place(self) -> dict[tuple[int, ...], int]:
        return {faults: place for place, faults in enumerate(self.sets)}

    @cached_property
    def readings(self) -> np.ndarray:
        """(sets, observables, 2) every set solved as a whole circuit."""
        step = 1024
        blocks = [self.sets[i : i + step] for i in range(0, len(self.sets), step)]
        return np.concatenate([self.behaviour.readings(block) for block in blocks])

    @cached_property
    def holds(self) -> np.ndarray:
        """(sets, faults) whether each set holds each fault."""
        table = np.zeros((len(self.sets), len(self.behaviour.faults)), dtype=bool)
        for row, faults in enumerate(self.sets):
            table[row, list(faults)] = True
        return table

    def there(self, cause: SharedCause) -> np.ndarray:
        """(combinations, sets) whether a cause is there."""
        shape = (len(self.combinations), len(self.sets))
        if cause.part is None:
            own = np.array([cause.id in combination for combination in self.combinations])
            return np.broadcast_to(own[:, None], shape)
        own = [p == cause.part and mode in cause.modes for p, mode in self.behaviour.faults]
        return np.broadcast_to(self.holds[:, own].any(axis=1)[None, :], shape)

    @cached_property
    def prior(self) -> np.ndarray:
        """(combinations, sets) joint prior."""
        machine = self.behaviour.machine
        joint = np.ones((len(self.combinations), len(self.sets)))
        for cause in self.causes:
            p = cause.per_1000_jobs / 1000.0
            joint = joint * np.where(self.there(cause), p, 1.0 - p)
        for part in machine.parts.values():
            joint = joint * self._of_part(part)
        unlisted = JOBS_OF_MACHINES * machine.unlisted_per_1000 / 1000.0
        count = len(machine.complaints)
        some = self.holds[:, -count:].any(axis=1)
        return joint * np.where(some, unlisted, 1.0 - count * unlisted)

    def _of_part(self, part: Part) -> np.ndarray:
        """(combinations, sets) chance of what each set says of a part, given the causes."""
        machine, total = self.behaviour.machine, np.zeros(self.there_shape)
        chance = np.full(self.there_shape, np.nan)
        good = np.ones(len(self.sets), dtype=bool)
        for mode in part.modes.values():
            if mode.id == "ok":
                continue
            own = np.full(self.there_shape, JOBS_OF_MACHINES * mode.per_1000_jobs / 1000.0)
            for cause in machine.shared_causes.values():
                factor = next(
                    (r.factor for r in cause.raises if r.part == part.id and mode.id in r.modes),
                    1.0,
                )
                p = self.prior_of(cause)
                own = own * np.where(self.there(cause), factor, 1.0) / (1.0 + p * (factor - 1.0))
            total += own
            held = self.holds[:, self.behaviour.faults.index((part.id, mode.id))]
            chance[:, held] = own[:, held]
            good &= ~held
        chance[:, good] = 1.0 - total[:, good]
        return chance

    @property
    def there_shape(self) -> tuple[int, int]:
        return len(self.combinations), len(self.sets)

    def prior_of(self, cause: SharedCause) -> float:
        """Marginal prior of a cause."""
        if cause.part is None:
            return cause.per_1000_jobs / 1000.0
        modes = self.behaviour.machine.parts[cause.part].modes
        return sum(JOBS_OF_MACHINES * modes[mode].per_1000_jobs / 1000.0 for mode in cause.modes)

    def chances(self, test: Test) -> np.ndarray:
        """(combinations, sets, outcomes) of a test."""
        slip, n = test.slip_percent / 100.0, len(test.outcomes)
        if test.cause is not None:
            there = self.there(self.behaviour.machine.shared_causes[test.cause])
            yes = np.where(there, known.CAUSE_FOUND, 0.0)
            plain = np.stack([yes, 1.0 - yes], axis=-1)
        else:
            column = self.behaviour.column_of(test)
            own = outcomes_by_hand(test, self.readings[:, column])
            plain = np.broadcast_to(own, (*self.there_shape, n))
        return (1.0 - slip) * plain + slip / n

    def fits(self, complaint: str) -> np.ndarray:
        """(sets,) share of the time that the machine does what a complaint says."""
        values = self.readings[:, self.behaviour.column[complaint]]
        return 1.0 - (values[:, 0] + values[:, 1]) / 2.0

    def finding(self, finding: Finding) -> np.ndarray:
        """(combinations, sets) likelihood of a finding."""
        test = self.behaviour.machine.tests[finding.test]
        if finding.reading is None:
            place = [outcome.id for outcome in test.outcomes].index(finding.outcome)
            share, rest = self.chances(test)[:, :, place], 1.0 / len(test.outcomes)
        else:
            values = self.readings[:, self.behaviour.column_of(test)]
            share, rest = densities_by_hand(test, finding.reading, values)
        return finding.sure * share + (1.0 - finding.sure) * rest


def outcomes_by_hand(test: Test, values: np.ndarray) -> np.ndarray:
    """(sets, outcomes) chances without slips."""
    table = np.zeros((len(values), len(test.outcomes)))
    rows = np.arange(len(values))
    if test.kind == "wiggle":
        table[:, 0] = known.SHAKEN_LOOSE * values[:, 0]
        table[:, 1] = 1.0 - table[:, 0]
        return table
    if test.kind == "look" and test.parts:
        table[:, 0] = (values[:, 0] + values[:, 1]) / 2.0
        table[:, 1] = 1.0 - table[:, 0]
        return table
    shares = (known.FIRST_OF_TWO, 1.0 - known.FIRST_OF_TWO)
    if test.function is not None:
        for share, value in zip(shares, values.T, strict=True):
            table[rows, np.minimum(value, len(test.outcomes) - 1).astype(int)] += share
        return table
    limits = [outcome.at_least for outcome in test.outcomes if outcome.at_least is not None]
    bins = np.zeros((len(values), 2), dtype=int)
    for which, share in enumerate(shares):
        value = values[:, which]
        spread = test.spread + test.spread_percent / 100.0 * np.abs(value)
        edges = [np.ones(len(values))]
        edges += [norm.cdf(limit, value, spread) for limit in limits]
        edges += [np.zeros(len(values))]
        for place in range(len(limits) + 1):
            table[:, place] += share * (edges[place] - edges[place + 1])
        bins[:, which] = sum(value < limit for limit in limits)
    if test.outcomes[-1].id == known.UNSTEADY:
        seen = np.where(bins[:, 0] == bins[:, 1], 0.0, known.SEEN_UNSTEADY)
        table *= 1.0 - seen[:, None]
        table[:, -1] = seen
    return table


def densities_by_hand(test: Test, reading: float, values: np.ndarray) -> tuple[np.ndarray, float]:
    """(sets,) density of a reading, slips included, and that of a slip."""
    if test.kind == "ohms":
        values = np.clip(values, LOW_OHMS, HIGH_OHMS)
    spread = test.spread + test.spread_percent / 100.0 * np.abs(values)
    if test.kind == "ohms":
        spread = np.clip(spread / values, LEAST_RELATIVE_SPREAD, 1.0)
        values, reading = np.log(values), math.log(min(max(reading, LOW_OHMS), HIGH_OHMS))
        rest = 1.0 / math.log(HIGH_OHMS / LOW_OHMS)
    else:
        rest = 1.0 / (test.high - test.low)
    density = norm.pdf(reading, values, spread)
    mixed = known.FIRST_OF_TWO * density[:, 0] + (1.0 - known.FIRST_OF_TWO) * density[:, 1]
    slip = test.slip_percent / 100.0
    return (1.0 - slip) * mixed + slip * rest, rest


@dataclass
class Account:
    """A job gone through.

    Attributes:
        joint: (combinations, sets) probability of what is wrong now with all that was seen.
        log_evidence: natural logarithm of the probability of all that was seen.
        surprises: chance of each thing seen, as an outcome, given all before it.
    """

    every: Everything
    joint: np.ndarray
    log_evidence: float
    surprises: list[float]

    @property
    def faults(self) -> np.ndarray:
        """(faults,) probability of each now."""
        return self.joint.sum(axis=0) @ self.every.holds

    def chances(self, test: Test) -> np.ndarray:
        """(outcomes,) of a test that would be done now."""
        return np.einsum("cs,cso->o", self.joint, self.every.chances(test))

    def with_fault(self, test: Test) -> np.ndarray:
        """(outcomes, faults) probability of each outcome together with each fault."""
        both = np.einsum("cs,cso->so", self.joint, self.every.chances(test))
        return both.T @ self.every.holds

    def gain(self, test: Test) -> float:
        """I(faults; test) in bits, as a sum over the joint table of both."""
        both = np.einsum("cs,cso->so", self.joint, self.every.chances(test))
        apart = both.sum(axis=1, keepdims=True) * both.sum(axis=0, keepdims=True)
        held = both > 0.0
        return float(np.sum(both[held] * np.log2(both[held] / apart[held])))


def account(every: Everything, situation: Situation, leave_out: str = "") -> Account:
    """Go through a job; `leave_out` is a test whose last finding is not to count."""
    joint, log_evidence, surprises = every.prior, 0.0, list[float]()
    for plain, like in _factors(every, situation, leave_out):
        if like is None:
            joint = carried_over(every, joint, plain)
            continue
        surprises.append(float((joint * plain).sum()))
        joint = joint * like
        total = joint.sum()
        joint = joint / total
        log_evidence += math.log(total)
    return Account(every, joint, log_evidence, surprises)


def _factors(every: Everything, situation: Situation, leave_out: str) -> Iterator[tuple]:
    """(chance as an outcome, likelihood) of everything seen; (repair, None) of repairs."""
    fits = every.fits(situation.complaint)
    told = known.COMPLAINT_SLIPS + (known.COMPLAINT_FITS - known.COMPLAINT_SLIPS) * fits
    same = known.CHECK_SLIPS + (1.0 - 2.0 * known.CHECK_SLIPS) * fits
    yield told, told
    if situation.seen:
        yield same, same
    for epoch in situation.past:
        for finding in epoch.findings:
            yield _seen(every, finding)
        yield epoch.repair, None
        if epoch.repair.gone is not None:
            chance = 1.0 - same if epoch.repair.gone else same
            yield chance, chance
    for finding in situation.findings:
        if finding.test != leave_out:
            yield _seen(every, finding)


def _seen(every: Everything, finding: Finding) -> tuple[np.ndarray, np.ndarray]:
    test = every.behaviour.machine.tests[finding.test]
    place = [outcome.id for outcome in test.outcomes].index(finding.outcome)
    return every.chances(test)[:, :, place], every.finding(finding)


def carried_over(every: Everything, joint: np.ndarray, done: RepairDone) -> np.ndarray:
    """(combinations, sets) the same probabilities after a repair."""
    behaviour = every.behaviour
    part = behaviour.machine.parts[done.part]
    repair = next(repair for repair in part.repairs if repair.id == done.repair)
    own = {mode: f for f, (name, mode) in enumerate(behaviour.faults) if name == part.id}
    fixed, new = {own[mode] for mode in repair.fixes}, bad_new_part(every, part, repair)
    after = np.zeros_like(joint)
    for row, faults in enumerate(every.sets):
        left = tuple(f for f in faults if f not in fixed)
        if set(left) & set(own.values()):
            after[:, every.place[left]] += joint[:, row]
            continue
        after[:, every.place[left]] += (1.0 - sum(new.values())) * joint[:, row]
        for mode, chance in new.items():
            bad = tuple(sorted((*left, own[mode])))
            after[:, every.place[bad]] += chance * joint[:, row]
    return after


def bad_new_part(every: Everything, part: Part, repair: Repair) -> dict[str, float]:
    """Chance of each failure mode of a part that was just fitted."""
    if repair.id != "replace":
        return {}
    shop = every.behaviour.machine.shop
    rates = {m.id: m.per_1000_jobs for m in part.modes.values() if m.id != "ok"}
    bad = shop.new_part_bad_per_1000 / 1000.0
    return {mode: bad * rate / sum(rates.values()) for mode, rate in rates.items()}
