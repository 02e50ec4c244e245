"""Posteriors across repairs against sums over fault sets, on simulated jobs.

The referee holds what is wrong with the machine *now* as a sum over fault sets, each solved as a
whole circuit. A repair carries every set over to what it leaves, a new part bad by chance; what
was found before it stays in the weights. It knows nothing of lives, nodes or networks.

Sets of three and more faults are drawn from the prior, so the referee has noise of its own; two
halves of the sample against each other tell how much.

`python -m tests.network.epochs 25` prints the figures for every shipped machine: so many jobs with
four repairs each that do not help.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.epochs import ready_for
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation, encode
from diagnose.network.lives import new_part_bad, new_part_modes
from diagnose.faults.outcomes import CHECK_SLIPS, cause_chances
from tests import shipped
from tests.network.compare import distance, same_top
from tests.network.fault_sets import FaultSetReferee

if TYPE_CHECKING:
    from diagnose.machine.model import Repair, Test
    from diagnose.faults.behaviour import Behaviour, FaultSet
    from diagnose.network.ready import ReadyMachine

LEAST_SHARE = 1e-9
"""Fault sets with a smaller share of the probability are forgotten."""


@dataclass
class Belief:
    """What is wrong now.

    Attributes:
        referee: the fault sets as the job begins.
        sets: fault sets as they are now.
        drawn: (sets,) 0 for all up to two faults, else which half of the sample it comes from.
        weight: (sets, causes) joint probability with all that was found.
        start: (sets,) row of the referee that each comes from.
        readings: (sets, columns, 2) what the solved circuit shows.
    """

    referee: FaultSetReferee
    sets: list[FaultSet]
    drawn: np.ndarray
    weight: np.ndarray
    start: np.ndarray
    readings: np.ndarray

    @classmethod
    def of(cls, referee: FaultSetReferee) -> Belief:
        rows = np.arange(len(referee.sets))
        drawn = np.where(rows < referee.n_exact, 0, 1 + rows % 2)
        sets, weights = list(referee.sets), referee.weights.copy()
        return cls(referee, sets, drawn, weights, rows, referee.readings)

    @property
    def behaviour(self) -> Behaviour:
        return self.referee.behaviour

    def see(self, chances: np.ndarray) -> None:
        """Multiply in a likelihood, (sets,) or (sets, causes), and forget what cannot be."""
        self.weight = self.weight * (chances[:, None] if chances.ndim == 1 else chances)
        total = self.weight.sum(axis=1)
        keep = np.flatnonzero(total > LEAST_SHARE * total.sum())
        self.sets = [self.sets[i] for i in keep]
        self.drawn, self.start = self.drawn[keep], self.start[keep]
        self.weight, self.readings = self.weight[keep], self.readings[keep]

    def find(self, test: Test, outcome: str) -> None:
        column = [one.id for one in test.outcomes].index(outcome)
        if test.cause is not None:
            states = self.referee.states[self.start]
            there = self.referee.roots.present(test.cause, states)
            shown = cause_chances(test)[there, column]
            self.see(np.broadcast_to(shown, self.weight.shape))
            return
        self.see(self.referee.instruments.outcomes(test, self.readings)[:, column])

    def complain(self, complaint: str) -> None:
        self.see(self.referee.instruments.complaint(complaint, self.readings)[:, 0])

    def check(self, complaint: str) -> None:
        """The complaint is still there after a repair."""
        values = self.readings[:, self.behaviour.column[complaint]]
        fits = 1.0 - values.mean(axis=-1)
        self.see(CHECK_SLIPS + (1.0 - 2.0 * CHECK_SLIPS) * fits)

    def mend(self, part: str, repair: Repair) -> None:
        """Carry every set over."""
        behaviour = self.behaviour
        fault = {mode: f for f, (known, mode) in enumerate(behaviour.faults) if known == part}
        bad = new_part_modes(behaviour.machine, behaviour.machine.parts[part], repair)
        good = 1.0 - new_part_bad(behaviour.machine, repair)
        sets: list[FaultSet] = []
        rows: list[int] = []
        shares: list[float] = []
        for row, one in enumerate(self.sets):
            left = tuple(f for f in one if behaviour.faults[f][0] != part)
            own = [behaviour.faults[f][1] for f in one if behaviour.faults[f][0] == part]
            if own and own[0] not in repair.fixes:
                after = {one: 1.0}
            else:
                after = {left: good}
                after |= {tuple(sorted((*left, fault[m]))): p for m, p in bad.items()}
            for new, share in after.items():
                if share > 0.0:
                    sets.append(new)
                    rows.append(row)
                    shares.append(share)
        self.sets = sets
        self.drawn, self.start = self.drawn[rows], self.start[rows]
        self.weight = self.weight[rows] * np.array(shares)[:, None]
        different = list(dict.fromkeys(sets))
        place = {one: i for i, one in enumerate(different)}
        self.readings = behaviour.readings(different)[[place[one] for one in sets]]

    def by_fault(self, share: np.ndarray) -> np.ndarray:
        """(faults,) joint probability of each fault, the sets weighted by `share`."""
        total = self.weight.sum(axis=1) * share
        found = np.zeros(len(self.behaviour.faults))
        for one, weight in zip(self.sets, total, strict=True):
            found[list(one)] += weight
        return found


@dataclass(frozen=True)
class AfterRepairs:
    """Figures by number of repairs, each (jobs,)."""

    same: np.ndarray
    distance: np.ndarray
    noise: np.ndarray
    rows: np.ndarray


def follow(ready: ReadyMachine, referee: FaultSetReferee, repairs: int, seed: int) -> list[tuple]:
    """One job: tests by the ranking or at random, then the likeliest repair, which fails."""
    rng = np.random.default_rng(seed)
    machine = ready.machine
    complaint = str(rng.choice(list(machine.complaints)))
    situation, belief = Situation(complaint), Belief.of(referee)
    belief.complain(complaint)
    found = []
    for number in range(repairs + 1):
        now = ready_for(ready, situation)
        for _ in range(int(rng.integers(2, 5)) if number < repairs else 2):
            beliefs = now.compiled.beliefs(encode(now, situation))
            test = _pick(now, situation, beliefs.gains_bits, rng)
            states = beliefs[test.id]
            outcome = str(rng.choice(list(states), p=_shares(states.values())))
            belief.find(test, outcome)
            situation = replace(
                situation, findings=(*situation.findings, Finding(test.id, outcome))
            )
        found.append(_compare(now, situation, belief))
        if number == repairs:
            break
        part, repair = _repair(ready, belief, rng)
        belief.mend(part, repair)
        belief.check(complaint)
        done = RepairDone(part, repair.id, gone=False)
        past = (*situation.past, Epoch(situation.findings, done))
        situation = replace(situation, past=past, findings=())
    return found


def _shares(chances: object) -> np.ndarray:
    p = np.array(list(chances))  # type: ignore[call-overload]
    return p / p.sum()


def _pick(
    ready: ReadyMachine, situation: Situation, gains: dict[str, float], rng: np.random.Generator
) -> Test:
    done = {one.test for one in situation.findings}
    left = [test for name, test in ready.machine.tests.items() if name not in done]
    if rng.random() < 0.5:
        return max(left, key=lambda test: gains.get(test.id, 0.0) / test.minutes)
    return left[int(rng.integers(len(left)))]


def _repair(ready: ReadyMachine, belief: Belief, rng: np.random.Generator) -> tuple[str, Repair]:
    """A repair of the likeliest part, or of any part."""
    repairs = [(p.id, one) for p in ready.machine.parts.values() for one in p.repairs]
    if rng.random() < 0.3:
        return repairs[int(rng.integers(len(repairs)))]
    suspects = belief.by_fault(np.ones(len(belief.sets)))
    chance = dict(zip(ready.faults, suspects, strict=True))
    return max(repairs, key=lambda one: sum(chance[one[0], mode] for mode in one[1].fixes))


def _compare(ready: ReadyMachine, situation: Situation, belief: Belief) -> tuple[float, ...]:
    beliefs = ready.compiled.beliefs(encode(ready, situation))
    engine = beliefs.marginals[[ready.compiled.code(*fault) for fault in ready.faults]]
    everything = belief.by_fault(np.ones(len(belief.sets)))
    total = float(belief.weight.sum())
    one, other = (
        belief.by_fault(np.where(belief.drawn == 0, 1.0, 2.0 * (belief.drawn == half)))
        for half in (1, 2)
    )
    return (
        float(same_top(engine, everything / total, 1.0)),
        distance(engine, everything),
        distance(one, other) / 2.0,
        ready.compiled.rows,
    )


def after_repairs(
    name: str, n_jobs: int, repairs: int, n_larger: int, seed: int = 3
) -> AfterRepairs:
    """Figures of one machine; each array is (repairs + 1, jobs)."""
    ready, behaviour = shipped.ready(name), shipped.behaviour(name)
    referee = FaultSetReferee(behaviour, shipped.built(name).network, n_larger, seed)
    jobs = [follow(ready, referee, repairs, seed + 1000 * job) for job in range(n_jobs)]
    return AfterRepairs(*np.transpose(np.array(jobs), (2, 1, 0)))


if __name__ == "__main__":
    for machine in sys.argv[2:] or shipped.NAMES:
        figures = after_repairs(machine, int(sys.argv[1]), 4, 20_000)
        for number, (same, apart, noise, rows) in enumerate(
            zip(figures.same, figures.distance, figures.noise, figures.rows, strict=True)
        ):
            print(  # noqa: T201
                f"{machine}, {number} repairs: same top suspect {same.mean():.1%}, mean total "
                f"variation {apart.mean():.4f} (noise about {noise.mean():.4f}), "
                f"{rows.mean():,.0f} rows, at most {rows.max():,.0f}",
                flush=True,
            )
