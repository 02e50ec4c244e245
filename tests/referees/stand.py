"""A machine with faults that answers: it is tried, tested, repaired and tried again."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tests.referees import technician
from tests.referees.bench import RUNS, SHOWN
from tests.referees.shop import World, draw_repaired, one_piece, rest_after
from tests.referees.story import Written, cold_of, told

if TYPE_CHECKING:
    from diagnose.machine.model import Test
    from tests.referees.bench import Bench, FaultSet
    from tests.referees.pool import Pool
    from tests.referees.shop import Priors


@dataclass
class Stand:
    """One machine under repair.

    Attributes:
        world: what is wrong with it, and which causes of their own are there.
        celsius: of its battery.
        came_with: what was wrong at first.
        new: for each repair the mode of a new part that is bad, else None.
        way: how its loose joints stand, by number; drawn when it comes in.
    """

    bench: Bench
    priors: Priors
    world: World
    rng: np.random.Generator
    celsius: float = 20.0
    came_with: FaultSet = ()
    new: list[str | None] = field(default_factory=list)
    way: int = 0

    def __post_init__(self) -> None:
        self.came_with = self.world.faults
        shares = list(technician.LEFT_ALONE.values())
        self.way = int(self.rng.choice(len(shares), p=shares))

    def _values(self, name: str) -> np.ndarray:
        """(1, 2) the two readings of a function or complaint, as it stands."""
        values = self.bench.values[self._row(), self.bench.column[name]]
        return technician.as_it_stands(None, values, self.bench.loose(self._row()))[self.way]

    def _read(self, test: Test) -> np.ndarray:
        """(1, 2) the two readings of a test, as it stands."""
        values = self.bench.values[self._row(), self.bench.column_of(test)]
        return technician.as_it_stands(test, values, self.bench.loose(self._row()))[self.way]

    def _row(self) -> np.ndarray:
        """(1,) row of the bench."""
        return self.bench.rows([self.world.faults])

    def complained_about(self, complaint: str) -> bool:
        """Whether the customer says so."""
        return bool(self.rng.random() < told(self.bench, complaint, self._row())[0])

    def shows(self, complaint: str) -> str:
        """What trying the machine after a repair shows, on a job about a complaint.

        Only what does not show on trying is looked for besides.
        """
        results = self.bench.results(complaint)
        if self.rng.random() < technician.TRIED_WRONG:
            return str(self.rng.choice(results))
        which = int(self.rng.integers(2))
        shown = self.bench.shown[int(self._values(SHOWN)[0, which])]
        fits = self._values(complaint)[0, which] == 1
        return complaint if shown == RUNS and fits else shown

    def seen(self, shown: str, complaint: str) -> bool:
        """Whether one who looks for just that, on a job about a complaint, sees it.

        Who looks whether it runs looks for a complaint that takes a week as well.
        """
        results = self.bench.results(complaint)
        if shown == RUNS and complaint not in self.bench.shown:
            return self._seen(shown, len(results)) and not self._seen(complaint, len(results))
        return self._seen(shown, len(results))

    def _seen(self, shown: str, results: int) -> bool:
        if self.rng.random() < technician.TRIED_WRONG:
            return bool(self.rng.integers(results) == 0)
        which = int(self.rng.integers(2))
        if shown in self.bench.machine.complaints:
            return bool(self._values(shown)[0, which] == 1)
        return self.bench.shown[int(self._values(SHOWN)[0, which])] == shown

    def chances(self, test: Test) -> np.ndarray:
        """(outcomes,)"""
        if test.cause is not None:
            there = self.world.causes | self.priors.tied_there(self.world.faults)
            return technician.cause_chances(test, np.array([float(test.cause in there)]))[0]
        return technician.outcome_chances(test, self._read(test))[0]

    def outcome(self, test: Test, sure: float = 1.0) -> Written:
        """What is written down; not `sure`, it may be anything."""
        names = [o.id for o in test.outcomes]
        at = technician.draw_outcome(self.chances(test), self.rng)
        if self.rng.random() >= sure:
            at = int(self.rng.integers(len(names)))
        return Written(test.id, names[at], None, sure)

    def number(self, test: Test, sure: float = 1.0) -> Written:
        """What the meter shows, as cold as the battery is; or that there is nothing to read."""
        shown = technician.draw_number(test, self._read(test)[0], self.rng)
        if np.isnan(shown):
            return Written(test.id, technician.CANNOT_BE_DONE, None, sure)
        shown -= cold_of(self.bench, test, self.celsius)
        return Written(test.id, None, min(max(shown, test.low), test.high), sure)

    def repair(self, part: str, repair: str) -> None:
        """Do it; the new part may be bad."""
        faults = draw_repaired(self.bench, self.world.faults, part, repair, self.rng)
        _, fixed = rest_after(self.bench, self.world.faults, part, repair)
        new = one_piece(self.bench.machine, part)
        bad = [self.bench.faults[f] for f in faults if self.bench.part_of[f] in new]
        self.new.append(bad[0] if fixed and bad else None)
        self.world = World(self.world.causes, faults)

    def wrong(self) -> str:
        """What is wrong, in words."""
        return ", ".join(".".join(self.bench.faults[f]) for f in self.world.faults) or "nothing"


def draw_world(pool: Pool, complaint: str, n_faults: int, rng: np.random.Generator) -> World:
    """A machine with so many faults that is complained about so, now and then in wrong words.

    Every other time, where there are several faults, two of them give the complaint each by
    itself: without those, a second repair would be rare.
    """
    bench, priors = pool.bench, pool.priors
    column = bench.column[complaint]
    sets = [one for one in pool.courses if len(one) == n_faults]
    alone = bench.values[bench.rows([(f,) for f in range(len(bench.faults))]), column].mean(axis=1)
    share = priors.weights(sets).sum(axis=1) * told(bench, complaint, bench.rows(sets))
    if n_faults > 1 and rng.random() < 0.5:
        share *= np.array([sum(alone[f] > 0 for f in one) >= 2 for one in sets]) + 1e-9
    faults = sets[int(rng.choice(len(sets), p=share / share.sum()))]
    combos = priors.weights([faults])[0]
    combo = priors.combos[int(rng.choice(len(combos), p=combos / combos.sum()))]
    there = frozenset(c for c, present in zip(priors.own, combo, strict=True) if present)
    return World(there, faults)
