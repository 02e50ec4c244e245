"""Where courses are drawn from: a course met before, with other faults added by chance.

A draw takes one of the courses called *cores*, in proportion to its share, and adds to it, part
by part, whatever else may be wrong, with the chances of one of several *backgrounds*: the prior,
a prior raised a few times, the prior with one shared cause there. Dropping a fault is to draw from
a core without it (every core's parts are cores themselves), swapping one is both. The chance of
drawing a course at all is then a sum over its subsets that are cores, and exact.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tests.referees.shop import mode_share

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tests.referees.story import Course, Teller

RAISED = (1.0, 4.0, 15.0)
"""How many times likelier than they are faults are drawn."""
BACKGROUND_SHARES = (0.45, 0.2, 0.1)
"""How often each of those is drawn; what is left goes to the shared causes, all alike."""
AT_MOST = 0.5
"""Chance of a failed part is never drawn higher than this."""


def subsets(course: Course) -> Iterator[Course]:
    """All courses made of some of these faults, the course itself included."""
    for size in range(len(course) + 1):
        yield from combinations(course, size)


class Backgrounds:
    """What else may be wrong.

    Attributes:
        share: (backgrounds,) how often each is drawn.
        slots: numbers of the faults of one part, or of the modes of one new part.
        slot_of: number -> slot.
    """

    def __init__(self, teller: Teller) -> None:
        bench = teller.bench
        parts = dict.fromkeys(bench.part_of)
        self.slots = [[f for f, p in enumerate(bench.part_of) if p == part] for part in parts]
        self.slots += [list(modes) for modes in teller.new_parts if modes]
        self.slot_of = {f: i for i, slot in enumerate(self.slots) for f in slot}
        n = len(self.slot_of)
        plain = np.zeros(n)
        for f, (part, mode) in enumerate(bench.faults):
            plain[f] = mode_share(bench.machine, part, mode)
        for modes in teller.new_parts:
            for f, (_, chance) in modes.items():
                plain[f] = chance
        rows = [plain * times for times in RAISED]
        for cause in teller.priors.own:
            row = plain.copy()
            for part in parts:
                if part in bench.machine.parts:
                    given = teller.priors.part_chances(part, frozenset({cause}))
                    for mode, chance in given.items():
                        row[bench.number[part, mode]] = chance
            rows.append(row)
        rest = 1 - sum(BACKGROUND_SHARES)
        n_causes = len(teller.priors.own)
        shares = [*BACKGROUND_SHARES, *[rest / max(n_causes, 1)] * n_causes]
        self.share = np.array(shares) / sum(shares)
        self._chances(np.array(rows))

    def _chances(self, rows: np.ndarray) -> None:
        self._fails = np.zeros((len(rows), len(self.slots)))
        for i, slot in enumerate(self.slots):
            whole = rows[:, slot].sum(axis=1)
            rows[:, slot] *= (np.minimum(whole, AT_MOST) / np.maximum(whole, 1e-300))[:, None]
            self._fails[:, i] = rows[:, slot].sum(axis=1)
        self._rows = rows
        self._fine = 1 - self._fails
        slot = np.array([self.slot_of[f] for f in range(rows.shape[1])])
        self._log_odds = np.log(np.maximum(rows, 1e-300)) - np.log(self._fine[:, slot])
        self._log_share = np.log(self.share) + np.log(self._fine).sum(axis=1)
        self._log_free = -np.log(self._fine[:, slot])

    def add(self, cores: list[Course], rng: np.random.Generator) -> list[Course]:
        """To each course what else is wrong, drawn part by part."""
        which = rng.choice(len(self.share), len(cores), p=self.share)
        fails = rng.random((len(cores), len(self.slots))) < self._fails[which]
        found = [list(core) for core in cores]
        for row, i in zip(*np.nonzero(fails), strict=True):
            slot = self.slots[i]
            if any(f in slot for f in cores[row]):
                continue
            chances = np.cumsum(self._rows[which[row], slot])
            at = int(np.searchsorted(chances, rng.random() * chances[-1], side="right"))
            found[row].append(slot[min(at, len(slot) - 1)])
        return [tuple(sorted(one)) for one in found]

    def chance(self, course: Course, cores: Mapping[Course, float]) -> float:
        """Chance that a draw gives this course; `cores` has the share of each."""
        found = 0.0
        for core in subsets(course):
            share = cores.get(core)
            if share is not None:
                added = [f for f in course if f not in core]
                log = self._log_share + self._log_odds[:, added].sum(axis=1)
                log = log + self._log_free[:, list(core)].sum(axis=1)
                found += share * float(np.exp(log).sum())
        return found
