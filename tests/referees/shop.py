"""How machines come into the shop: what makes parts fail together, and which parts have failed.

First the shared causes come about, then each part fails or not, given the causes; a cause that is
itself a part's failure is there when that part has failed so. With a cause there, the modes that
it raises are so many times likelier, and without any they are that much rarer that on the whole
each mode is as frequent as the file says.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from tests.referees.bench import UNLISTED_PART

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.machine.model import Machine, Repair
    from tests.referees.bench import Bench, FaultSet

COUNTED_IN = 0.25
"""The file counts among machines somebody complained about. Of 1 000 standing about, so many
would be complained about if tried; that is what the counts of modes are scaled by. Estimate."""

FITS_A_NEW_PART = "replace"
"""The repair whose new part may be bad itself."""


def mode_share(machine: Machine, part: str, mode: str) -> float:
    """Chance that a machine standing about has this fault."""
    if part == UNLISTED_PART:
        own = machine.complaints[mode].unlisted_per_1000
        return COUNTED_IN * (machine.unlisted_per_1000 if own is None else own) / 1000.0
    return COUNTED_IN * machine.parts[part].modes[mode].per_1000_jobs / 1000.0


def failures(machine: Machine, part: str) -> list[str]:
    """The modes a part can fail in."""
    if part == UNLISTED_PART:
        return list(machine.complaints)
    return [mode for mode in machine.parts[part].modes if mode != "ok"]


def repair_of(machine: Machine, part: str, repair: str) -> Repair:
    """A repair by its name."""
    return next(one for one in machine.parts[part].repairs if one.id == repair)


def one_piece(machine: Machine, part: str) -> list[str]:
    """What comes out of one box with a part: the contacts of one key switch."""
    unit = machine.parts[part].unit
    return [
        one.id for one in machine.parts.values() if one.id == part or (unit and one.unit == unit)
    ]


def bad_new_part(machine: Machine, part: str, repair: str) -> dict[tuple[str, str], float]:
    """Chance of each fault that what was just fitted may have; empty if nothing new is fitted."""
    if repair != FITS_A_NEW_PART or machine.shop.new_part_bad_per_1000 == 0:
        return {}
    shares = {
        (one, mode): mode_share(machine, one, mode)
        for one in one_piece(machine, part)
        for mode in failures(machine, one)
    }
    whole = sum(shares.values())
    bad = machine.shop.new_part_bad_per_1000 / 1000.0
    return {fault: bad * share / whole for fault, share in shares.items() if share > 0}


@dataclass(frozen=True)
class World:
    """One machine as it stands.

    Attributes:
        causes: shared causes of their own that are there.
        faults: its fault set.
    """

    causes: frozenset[str]
    faults: FaultSet


class Priors:
    """How likely each fault set is, with each combination of the shared causes.

    Attributes:
        parts: every part, the unlisted one last.
        own: causes that are things of their own.
        tied: causes that are a part's failure.
        combos: (combinations, own) every combination of them, 1 for there.
        combo_chance: (combinations,)
    """

    def __init__(self, bench: Bench) -> None:
        machine = bench.machine
        self.machine, self.bench = machine, bench
        self.parts = [*machine.parts, UNLISTED_PART]
        self.own = [c.id for c in machine.shared_causes.values() if c.part is None]
        self.tied = [c.id for c in machine.shared_causes.values() if c.part is not None]
        self.combos = np.array(list(product((0, 1), repeat=len(self.own))), dtype=int)
        self.combo_chance = np.ones(len(self.combos))
        for k, cause in enumerate(self.own):
            there = self.cause_chance(cause)
            self.combo_chance *= np.where(self.combos[:, k], there, 1 - there)
        self._tied_by = {
            c.id: {bench.number[str(c.part), mode] for mode in c.modes}
            for c in machine.shared_causes.values()
            if c.part is not None
        }
        self._tabulate()

    def cause_chance(self, cause: str) -> float:
        """How often a shared cause is there; causes are counted among all machines."""
        known = self.machine.shared_causes[cause]
        if known.part is None:
            return known.per_1000_jobs / 1000.0
        return sum(mode_share(self.machine, known.part, mode) for mode in known.modes)

    def part_chances(self, part: str, there: frozenset[str]) -> dict[str, float]:
        """Chance of each failure mode of a part, given the causes that are there."""
        found = {
            mode: mode_share(self.machine, part, mode) for mode in failures(self.machine, part)
        }
        for cause in self.machine.shared_causes.values():
            for mode in found:
                times = 1.0
                for raised in cause.raises:
                    if raised.part == part and mode in raised.modes:
                        times = raised.factor
                found[mode] /= 1 + self.cause_chance(cause.id) * (times - 1)
                found[mode] *= times if cause.id in there else 1.0
        return found

    def tied_there(self, faults: FaultSet) -> frozenset[str]:
        """The tied causes that are there under a fault set."""
        return frozenset(c for c, by in self._tied_by.items() if not by.isdisjoint(faults))

    def _tabulate(self) -> None:
        """Chance that nothing is wrong, and odds of each fault, (tied, combinations, faults)."""
        shape = (2 ** len(self.tied), len(self.combos))
        self._fine = np.ones(shape)
        self._odds = np.zeros((*shape, len(self.bench.faults) + 1))
        self._odds[..., -1] = 1.0  # stands for no fault
        for t, tied in enumerate(product((0, 1), repeat=len(self.tied))):
            for c, own in enumerate(self.combos):
                both = zip((*self.tied, *self.own), (*tied, *own), strict=True)
                there = frozenset(cause for cause, present in both if present)
                for part in self.parts:
                    chances = self.part_chances(part, there)
                    fine = 1 - sum(chances.values())
                    self._fine[t, c] *= fine
                    for mode, chance in chances.items():
                        self._odds[t, c, self.bench.number[part, mode]] = chance / fine

    def weights(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets, combinations) chance of a fault set together with a combination of causes."""
        width = max(1, max(map(len, sets), default=1))
        table = np.full((len(sets), width), -1)
        tied = np.zeros(len(sets), dtype=int)
        for row, one in enumerate(sets):
            table[row, : len(one)] = one
            for cause in self.tied_there(one):
                tied[row] += 2 ** (len(self.tied) - 1 - self.tied.index(cause))
        found = self._fine[tied] * self.combo_chance
        for faults in table.T:
            found *= self._odds[tied, :, faults]
        return found

    def draw(self, rng: np.random.Generator, times: float = 1.0) -> World:
        """A machine as it may come in; `times` as many faults as there really are."""
        there = {cause for cause in self.own if rng.random() < self.cause_chance(cause)}
        faults: list[int] = []
        waiting = list(self.parts)
        while waiting:
            part = waiting.pop(0)
            first = {self.machine.shared_causes[c].part for c in self.tied if self._raises(c, part)}
            if first & set(waiting):
                waiting.append(part)
                continue
            known = frozenset(there) | self.tied_there(tuple(faults))
            left = rng.random() / times
            for mode, chance in self.part_chances(part, known).items():
                if 0 <= left < chance:
                    faults.append(self.bench.number[part, mode])
                left -= chance
        return World(frozenset(there), tuple(sorted(faults)))

    def _raises(self, cause: str, part: str) -> bool:
        return any(raised.part == part for raised in self.machine.shared_causes[cause].raises)


def rest_after(bench: Bench, faults: FaultSet, part: str, repair: str) -> tuple[FaultSet, bool]:
    """What is wrong after a repair, a new part being good; and whether its own part is right then.

    A repair that is no good for the mode a part is in leaves it in that mode. One that is not
    needed does no harm, but where a new part goes in, the new part may. Some put other parts right
    as well: a new battery comes charged.
    """
    done = repair_of(bench.machine, part, repair)
    put_right = {part: done.fixes, **done.also}
    if repair == FITS_A_NEW_PART:
        others = [one for one in one_piece(bench.machine, part) if one != part]
        put_right |= {one: tuple(failures(bench.machine, one)) for one in others}
    left = tuple(f for f in faults if bench.faults[f][1] not in put_right.get(bench.part_of[f], ()))
    return left, all(bench.part_of[fault] != part for fault in left)


def draw_repaired(
    bench: Bench, faults: FaultSet, part: str, repair: str, rng: np.random.Generator
) -> FaultSet:
    """What is wrong after a repair, the new part good or bad by chance."""
    rest, right = rest_after(bench, faults, part, repair)
    if not right:
        return rest
    left = rng.random()
    for fault, chance in bad_new_part(bench.machine, part, repair).items():
        if left < chance:
            return tuple(sorted((*rest, bench.number[fault])))
        left -= chance
    return rest
