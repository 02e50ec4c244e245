"""A referee of beliefs on small machines: every combination of everything that can be wrong.

It holds one number for each way in which loose joints may stand through the job, each combination
of free causes and each fault set, all of them, and goes through a job by multiplying and summing
over that table. Priors come from the machine file's
figures, chances of outcomes from the instruments' own description with scipy's normal
distribution, what the customer says and what trying shows from the levels of the functions. What
it shares with the engine are the readings of the solved circuit, which have referees of their own
(`tests/circuit`), and the constants of the instruments, all estimates.
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
from tests.belief.by_levels import (
    JOBS_OF_MACHINES,
    at_levels,
    told_by_hand,
    tried_by_hand,
    unlisted_chance,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.belief.situation import Finding, RepairDone, Situation
    from diagnose.faults.behaviour import Behaviour
    from diagnose.machine.model import Part, Repair, SharedCause, Test

TAKEN_FOR_ANYTHING = 0.005
"""Chance that what a check shows is taken for any of its results; estimate."""

WAYS = (0.5, 0.3, 0.2)
"""How often a loose joint comes and goes, stays touching as it was moved last, stays apart; of
those that stay as they are three touch for two that do not, as in the readings. Estimates."""

NOT_THERE = -1e6
"""What the engine reads where the machine does not get far enough; no meter shows less."""


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

    @cached_property
    def loose(self) -> np.ndarray:
        """(sets,) whether a joint is loose that could stay as it is."""
        parts, listed = (
            self.behaviour.machine.parts,
            self.behaviour.faults[: self.behaviour.n_listed],
        )
        joints = [parts[part].modes[mode].loose for part, mode in listed]
        return self.holds[:, : len(joints)][:, joints].any(axis=1)

    def in_ways(self, of, values: np.ndarray) -> np.ndarray:
        """(ways, sets, ...) what is made of (sets, 2) readings as loose joints stand."""
        free = of(values)
        stays = [of(np.stack([kept, kept], axis=1)) for kept in values.T]
        loose = self.loose.reshape(-1, *[1] * (free.ndim - 1))
        return np.stack([free, *(np.where(loose, kept, free) for kept in stays)])

    @cached_property
    def joint(self) -> np.ndarray:
        """(ways, combinations, sets) joint prior."""
        return np.array(WAYS)[:, None, None] * self.prior

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
        unlisted = np.array([unlisted_chance(machine, c) for c in machine.complaints])
        held = self.holds[:, -len(unlisted) :]
        return joint * np.where(held.any(axis=1), held @ unlisted, 1.0 - unlisted.sum())

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
        """(ways, combinations, sets, outcomes) of a test."""
        slip, n = test.slip_percent / 100.0, len(test.outcomes)
        if test.cause is not None:
            there = self.there(self.behaviour.machine.shared_causes[test.cause])
            yes = np.where(there, known.CAUSE_FOUND, 0.0)
            plain = np.broadcast_to(
                np.stack([yes, 1.0 - yes], axis=-1), (len(WAYS), *self.there_shape, 2)
            )
        else:
            own = self.seen(test)
            plain = np.broadcast_to(own[:, None], (len(WAYS), *self.there_shape, n))
        return (1.0 - slip) * plain + slip / n

    def seen(self, test: Test) -> np.ndarray:
        """(ways, sets, outcomes) of a test of the machine itself, without slips.

        Moving a joint, and looking at a part, shows the same however the joint stands.
        """
        values = self.values(test)
        if test.kind == "wiggle" or (test.kind == "look" and test.parts):
            return np.stack([outcomes_by_hand(test, values)] * len(WAYS))
        return self.in_ways(lambda own: outcomes_by_hand(test, own), values)

    def at_levels(self, wanted: Mapping[str, tuple[str, ...]]) -> np.ndarray:
        """(sets, 2) whether functions are at one of the levels wanted of each."""
        return at_levels(self.behaviour, self.readings, wanted)

    def values(self, test: Test) -> np.ndarray:
        """(sets, 2) what a test reads, as the functions say that it can be done at all."""
        machine = self.behaviour.machine
        if test.kind == "try":
            return tried_by_hand(self.behaviour, self.readings)
        values = self.readings[:, self.behaviour.column_of(test)]
        needs = machine.conditions[test.condition].needs if test.condition else {}
        possible = self.at_levels(needs)
        assert (possible == (values > NOT_THERE)).all(), test.id
        return values

    def told(self, complaint: str) -> np.ndarray:
        """(sets,) chance that the customer says so."""
        return told_by_hand(self.behaviour, self.readings, complaint)

    def checked(self, complaint: str, shown: str) -> list[np.ndarray]:
        """(ways, sets) each, chances of all that trying the machine after a repair has shown."""
        machine = self.behaviour.machine
        on_trying = [c.id for c in machine.complaints.values() if c.on_trying]
        results = ["runs", *on_trying, "other"]
        count = len(results) + (complaint not in on_trying)
        if shown in machine.complaints:
            here = [self.at_levels(machine.complaints[shown].says)]
        else:
            tried = tried_by_hand(self.behaviour, self.readings)
            here = [tried == results.index(shown)]
        if shown == "runs" and complaint not in on_trying:
            here.append(self.at_levels(machine.complaints[complaint].says))
        slip = TAKEN_FOR_ANYTHING
        shares = [self.in_ways(lambda own: own.mean(axis=1), seen) for seen in here]
        found = [(1.0 - slip) * share + slip / count for share in shares]
        return [found[0], *(1.0 - chance for chance in found[1:])]

    def finding(self, finding: Finding) -> np.ndarray:
        """(ways, combinations, sets) likelihood of a finding."""
        test = self.behaviour.machine.tests[finding.test]
        if finding.reading is None:
            place = [outcome.id for outcome in test.outcomes].index(finding.outcome)
            share, rest = self.chances(test)[..., place], 1.0 / len(test.outcomes)
        else:
            share, rest = self.densities(test, finding.reading)
        if finding.confirmed or finding.others:
            return self._all_looks(finding)
        return finding.sure * share + (1.0 - finding.sure) * rest

    def densities(self, test: Test, reading: float) -> tuple[np.ndarray, float]:
        """(ways, 1, sets) density of a reading, and that of a slip."""
        values = self.values(test)
        rest = densities_by_hand(test, reading, values)[1]
        own = self.in_ways(lambda own: densities_by_hand(test, reading, own)[0], values)
        return own[:, None], rest

    def _all_looks(self, finding: Finding) -> np.ndarray:
        """(ways, 1, sets) of several looks, by what is there and which of them are slips.

        Only for tests of the circuit; an outcome that is a slip is any of them.
        """
        test = self.behaviour.machine.tests[finding.test]
        names = [outcome.id for outcome in test.outcomes]
        n, own = len(names), test.slip_percent / 100.0
        others = [*finding.others, *([finding.outcome] if finding.confirmed else [])]
        there = self.seen(test)
        any_first, as_read = 1.0 / n, None
        if finding.reading is not None:
            density, any_first = self.densities(test, finding.reading)
            as_read = (density[:, 0] - own * any_first) / (1.0 - own)
        total = np.zeros(there.shape[:2])
        for place, name in enumerate(names):
            for slips in itertools.product((False, True), repeat=len(others)):
                rest = np.ones(there.shape[:2])
                for slip, other in zip(slips, others, strict=True):
                    rest = rest * (own / n if slip else (1.0 - own) * (other == name))
                true = finding.sure * (1.0 - own)
                told = true * (name == finding.outcome)
                # a reading and what is there are one: its density stands for the outcome's chance
                seen = there[..., place] if as_read is None else as_read
                total = total + told * seen * rest
                total = total + (1.0 - true) * any_first * there[..., place] * rest
        return total[:, None]


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
    if test.kind == "inspect":
        shown = [(values == value) @ np.array(shares) for value in (1.0, 0.0, NOT_THERE)]
        return np.stack(shown[: len(test.outcomes)], axis=1)
    if test.function is not None or test.kind == "try":
        last = len(test.outcomes) - 1
        for share, value in zip(shares, values.T, strict=True):
            place = np.where(value == NOT_THERE, last, np.minimum(value, last))
            table[rows, place.astype(int)] += share
        return table
    limits = [outcome.at_least for outcome in test.outcomes if outcome.at_least is not None]
    bins, there = np.zeros((len(values), 2), dtype=int), values > NOT_THERE
    if test.outcomes[len(limits) + 1 :] and test.outcomes[len(limits) + 1].id == "not_possible":
        table[:, len(limits) + 1] = (~there) @ np.array(shares)
    for which, share in enumerate(shares):
        value = values[:, which]
        spread = test.spread + test.spread_percent / 100.0 * np.abs(value)
        edges = [np.ones(len(values))]
        edges += [norm.cdf(limit, value, spread) for limit in limits]
        edges += [np.zeros(len(values))]
        for place in range(len(limits) + 1):
            table[:, place] += share * (edges[place] - edges[place + 1]) * there[:, which]
        bins[:, which] = np.where(there[:, which], sum(value < limit for limit in limits), -1)
    if test.outcomes[-1].id == known.UNSTEADY:
        seen = np.where(bins[:, 0] == bins[:, 1], 0.0, known.SEEN_UNSTEADY)
        table *= 1.0 - seen[:, None]
        table[:, -1] = seen
    return table


def densities_by_hand(test: Test, reading: float, values: np.ndarray) -> tuple[np.ndarray, float]:
    """(sets,) density of a reading, slips included, and that of a slip.

    Where the test cannot be done (a million below nothing) nobody reads a number but by a slip.
    """
    done = values > -1e6
    if test.kind == "ohms":
        values = np.clip(values, LOW_OHMS, HIGH_OHMS)
    spread = test.spread + test.spread_percent / 100.0 * np.abs(values)
    if test.kind == "ohms":
        spread = np.clip(spread / values, LEAST_RELATIVE_SPREAD, 1.0)
        values, reading = np.log(values), math.log(min(max(reading, LOW_OHMS), HIGH_OHMS))
        rest = 1.0 / math.log(HIGH_OHMS / LOW_OHMS)
    else:
        rest = 1.0 / (test.high - test.low)
    density = np.where(done, norm.pdf(reading, values, spread), 0.0)
    mixed = known.FIRST_OF_TWO * density[:, 0] + (1.0 - known.FIRST_OF_TWO) * density[:, 1]
    slip = test.slip_percent / 100.0
    return (1.0 - slip) * mixed + slip * rest, rest


@dataclass
class Account:
    """A job gone through.

    Attributes:
        joint: (ways, combinations, sets) probability of what is wrong now with all that was seen.
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
        return self.joint.sum(axis=(0, 1)) @ self.every.holds

    def chances(self, test: Test) -> np.ndarray:
        """(outcomes,) of a test that would be done now."""
        return np.einsum("wcs,wcso->o", self.joint, self.every.chances(test))

    def with_fault(self, test: Test) -> np.ndarray:
        """(outcomes, faults) probability of each outcome together with each fault."""
        both = np.einsum("wcs,wcso->so", self.joint, self.every.chances(test))
        return both.T @ self.every.holds

    def gain(self, test: Test) -> float:
        """I(faults; test) in bits, as a sum over the joint table of both."""
        both = np.einsum("wcs,wcso->so", self.joint, self.every.chances(test))
        apart = both.sum(axis=1, keepdims=True) * both.sum(axis=0, keepdims=True)
        held = both > 0.0
        return float(np.sum(both[held] * np.log2(both[held] / apart[held])))


def account(every: Everything, situation: Situation, leave_out: str = "") -> Account:
    """Go through a job; `leave_out` is a test whose last finding is not to count."""
    joint, log_evidence, surprises = every.joint, 0.0, list[float]()
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
    told = every.told(situation.complaint)
    yield told, told
    for epoch in situation.past:
        for finding in epoch.findings:
            yield _seen(every, finding)
        yield epoch.repair, None
        if epoch.repair.check is not None:
            for chance in every.checked(situation.complaint, epoch.repair.check):
                yield chance[:, None], chance[:, None]
    for finding in situation.findings:
        if finding.test != leave_out:
            yield _seen(every, finding)


def _seen(every: Everything, finding: Finding) -> tuple[np.ndarray, np.ndarray]:
    test = every.behaviour.machine.tests[finding.test]
    place = [outcome.id for outcome in test.outcomes].index(finding.outcome)
    return every.chances(test)[..., place], every.finding(finding)


def carried_over(every: Everything, joint: np.ndarray, done: RepairDone) -> np.ndarray:
    """(ways, combinations, sets) the same probabilities after a repair."""
    behaviour = every.behaviour
    part = behaviour.machine.parts[done.part]
    repair = next(repair for repair in part.repairs if repair.id == done.repair)
    unit = {p.id for p in behaviour.machine.parts.values() if p.unit and p.unit == part.unit}
    own = {f for f, (name, _) in enumerate(behaviour.faults) if name in {part.id, *unit}}
    mends, new = {part.id: repair.fixes, **repair.also}, bad_new_part(every, part, repair)
    fixed = {f for f, (name, mode) in enumerate(behaviour.faults) if mode in mends.get(name, ())}
    after = np.zeros_like(joint)
    for row, faults in enumerate(every.sets):
        left = tuple(f for f in faults if f not in fixed)
        if set(left) & own:
            after[..., every.place[left]] += joint[..., row]
            continue
        after[..., every.place[left]] += (1.0 - sum(new.values())) * joint[..., row]
        for fault, chance in new.items():
            bad = tuple(sorted((*left, behaviour.faults.index(fault))))
            after[..., every.place[bad]] += chance * joint[..., row]
    return after


def bad_new_part(every: Everything, part: Part, repair: Repair) -> dict[tuple[str, str], float]:
    """Chance of each fault of a part, or of all in one piece with it, that was just fitted."""
    if repair.id != "replace":
        return {}
    machine = every.behaviour.machine
    new = [p for p in machine.parts.values() if p.id == part.id or (p.unit and p.unit == part.unit)]
    rates = {(p.id, m.id): m.per_1000_jobs for p in new for m in p.modes.values() if m.id != "ok"}
    bad = machine.shop.new_part_bad_per_1000 / 1000.0
    return {fault: bad * rate / sum(rates.values()) for fault, rate in rates.items()}
