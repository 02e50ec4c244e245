"""Fault sets with everything that can be read under them.

The first rows of a table are its *base*: no fault, every single one, and the pairs that matter by
their priors. A job that wants larger sets has them solved and appended; they stay for the next job
until room runs short, when those that were not asked for longest go. What a job works with is a
`Solved`: a view that stays valid whatever is appended or dropped meanwhile.

A row holds the numbers of the readings that each observable shows; what tests make of them stands
in `diagnose.faults.chances`.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.chances import GrowingChances
from diagnose.faults.growing import Growing
from diagnose.faults.manners import SHARES, any_loose
from diagnose.faults.numbering import numbered
from diagnose.faults.priors import padded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from diagnose.faults.behaviour import Behaviour, FaultSet
    from diagnose.faults.chances import Chances, TestColumns
    from diagnose.faults.priors import Extension, Priors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.int32]
Numbers = NDArray[np.uint16]

MOST_GROWN, GROWN_BYTES = 20_000, 10_000_000
"""So many sets beyond the base, and so many bytes for them, are kept for each machine; then the
half not asked for longest goes. At some 120 observables one takes 1.5 kilobytes."""

MOST_EXTENSIONS = 2_000_000
"""A table of a base's extensions is kept up to so many numbers."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Solved fault sets as they were at one moment.

    Attributes:
        members: (sets, width) faults of each, padded with the number that stands for none.
        prior: (sets,) exact prior.
        place: (sets, observables) number of the reading that each observable shows; each column
            lies together in memory.
        values: by observable (different readings, 2).
        pair_row: (faults + 1, faults + 1) row of every set of up to two faults, -1 where unsolved.
        larger: row of every larger set, of those appended since as well.
        n_base: rows of the base.
        n_faults: how many faults there are; the number that stands for none.
        chances: of every test under every reading.
        loose: (faults + 1,) whether each fault is a loose joint; the last stands for none.
    """

    members: Ints
    prior: Floats
    place: Numbers
    values: tuple[Floats, ...]
    pair_row: Places
    larger: dict[FaultSet, int]
    n_base: int
    n_faults: int
    chances: Chances
    loose: NDArray[np.bool_]

    def row(self, faults: FaultSet) -> int:
        """Row of a set, -1 when it is not solved."""
        if len(faults) > 2:
            row = self.larger.get(faults, -1)
            return row if row < len(self.prior) else -1
        first, second = (*faults, self.n_faults, self.n_faults)[:2]
        return int(self.pair_row[first, second])

    @property
    def nbytes(self) -> int:
        """Memory that it holds."""
        own: list[NDArray[Any]] = [self.members, self.prior, self.place, self.pair_row]
        return sum(int(array.nbytes) for array in (*own, *self.values)) + self.chances.nbytes

    def faults(self, row: int) -> FaultSet:
        """The faults of a row, ascending."""
        return tuple(f for f in self.members[row].tolist() if f < self.n_faults)

    def loose_in(self, rows: Ints) -> NDArray[np.bool_]:
        """(rows,) whether a loose joint is among the faults."""
        return any_loose(self.loose, self.members[rows])

    def manners(self, rows: Ints) -> Floats:
        """(rows, 3) shares of the manners in which loose joints stand, before anything is known.

        Without a loose joint, what changes does so by itself: it comes and goes.
        """
        return np.where(self.loose_in(rows)[:, None], SHARES, (1.0, 0.0, 0.0))

    def readings(self, column: int, rows: Ints) -> Floats:
        """(rows, 2) readings of one observable."""
        found: Floats = self.values[column][self.place[rows, column]]
        return found


@dataclass(slots=True, eq=False)
class SolvedSets:
    """The table of a machine, growing and shrinking; safe to share between threads.

    Attributes:
        behaviour: the machine.
        priors: its priors.
        columns: its tests.
    """

    behaviour: Behaviour
    priors: Priors
    columns: TestColumns
    _base: Solved
    _now: Solved
    _rows: _Rows | None = None
    _extension: Extension | None = None
    _extends: bool = True
    _there: Floats | None = None
    _once: Any = None
    _asked: dict[FaultSet, int] = field(default_factory=dict)
    _clock: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def now(self) -> Solved:
        """The table as it is."""
        return self._now

    @property
    def base(self) -> Solved:
        """The rows it began with."""
        return self._base

    def with_priors(self, behaviour: Behaviour, priors: Priors) -> SolvedSets:
        """The base of a machine that differs in its priors alone; nothing is solved anew.

        Args:
            behaviour: of that machine, with the same faults in the same order.
            priors: of that machine.
        """
        base = replace(self._base, prior=priors.joint(self._base.members).sum(axis=1))
        return SolvedSets(behaviour, priors, self.columns, base, base)

    def with_sets(self, sets: Sequence[FaultSet]) -> Solved:
        """The table with these sets in it; those that are missing are solved, all at once."""
        with self._lock:
            self._clock += 1
            self._asked.update((faults, self._clock) for faults in sets if len(faults) > 2)
            missing = list(dict.fromkeys(s for s in sets if self._now.row(s) < 0))
            if missing:
                if self._full(len(missing)):
                    self._shrink()
                    missing = list(dict.fromkeys(s for s in sets if self._now.row(s) < 0))
                prior = self.priors.joint(padded(missing, self._now.n_faults)).sum(axis=1)
                self._grow(missing, prior, self.behaviour.readings(missing))
            return self._now

    def extensions(
        self, solved: Solved, first: Ints, sets: Ints, free: Floats
    ) -> Iterator[tuple[Ints, tuple[Floats, Ints]]]:
        """By what priors fall with one fault more: those of the base, then of all others.

        Args:
            solved: the fault sets.
            first: rows of some of them.
            sets: numbers among those.
            free: (free combinations,) what was found about the shared causes.

        Yields:
            Some of the numbers; the table of their `Priors.extension`, and the row of each there.
            That of the base is kept while nothing is known of the causes.
        """
        rows = first[sets]
        based = np.zeros(len(rows), dtype=bool)
        known = self._extension_of_base() if (free == 1.0).all() else None
        if known is not None:
            based = rows < solved.n_base
        if known is not None and based.any():
            yield sets[based], (known.table, known.row[rows[based]])
        others = rows[~based]
        if len(others) or not len(rows):
            more = self.priors.extension(solved.members[others], free)
            yield sets[~based], (more.table, more.row)

    @property
    def nbytes(self) -> int:
        """Memory that it holds."""
        kept = [self._extension, self._there, *(self._once or ())]
        return self._now.nbytes + sum(int(held.nbytes) for held in kept if held is not None)

    def once(self, make: Callable[[], Any]) -> Any:
        """What is worked out from the base alone, once."""
        if self._once is None:
            self._once = make()
        return self._once

    def there(self, solved: Solved, rows: Ints, free: Floats) -> Floats:
        """(rows, causes) see `Priors.there`; that of the base is kept while nothing is known."""
        known = self._extension_of_base() if (free == 1.0).all() else None
        if known is None:
            return self.priors.there(solved.members[rows], free)
        if self._there is None:  # sets that share a row say the same of the causes
            self._there = self.priors.there(self._base.members[known.first], free)
        found = np.empty((len(rows), len(self.priors.causes)))
        based = rows < solved.n_base
        found[based] = self._there[known.row[rows[based]]]
        if not based.all():
            found[~based] = self.priors.there(solved.members[rows[~based]], free)
        return found

    def _extension_of_base(self) -> Extension | None:
        """That of the base with nothing known of the causes; None where it would be large."""
        if self._extension is None and self._extends:
            found = self.priors.extension(self._base.members, np.ones_like(self.priors.free))
            self._extends = found.table.size <= MOST_EXTENSIONS
            self._extension = found if self._extends else None
        return self._extension

    def _grow(self, sets: Sequence[FaultSet], prior: Floats, readings: Floats) -> None:
        """Append sets; the base moves along with the rest, so that it is held once."""
        if self._rows is None:
            self._rows = _Rows(self._base, self.columns)
        self._now = self._rows.append(self._now, sets, prior, readings)
        self._base = self._rows.base(self._base)

    def _full(self, more: int) -> bool:
        """Whether there is no room for so many sets more."""
        grown = len(self._now.prior) - self._now.n_base
        return grown + more > MOST_GROWN or self._now.nbytes - self._base.nbytes > GROWN_BYTES

    def _shrink(self) -> None:
        """Drop the half of the grown sets that nobody asked for longest."""
        asked = sorted(self._asked, key=lambda faults: -self._asked[faults])
        kept = [faults for faults in asked if self._now.row(faults) >= 0]
        kept = kept[: min(len(kept), MOST_GROWN) // 2]
        rows = np.array([self._now.row(faults) for faults in kept], dtype=np.int64)
        columns = range(self._now.place.shape[1])
        readings = np.stack([self._now.readings(column, rows) for column in columns], axis=1)
        prior = self._now.prior[rows]
        self._asked = {faults: self._asked[faults] for faults in kept}
        self._now, self._rows = self._base, None
        self._grow(kept, prior, readings)


class _Rows:
    """The rows of a table as they grow."""

    def __init__(self, base: Solved, columns: TestColumns) -> None:
        """Begin with a base."""
        self._values = base.values
        self._larger: dict[FaultSet, int] = {}
        self._members, self._prior = Growing(base.members), Growing(base.prior)
        self._place = Growing(base.place)
        self._chances = GrowingChances(columns, base.chances)

    def append(
        self, solved: Solved, sets: Sequence[FaultSet], prior: Floats, readings: Floats
    ) -> Solved:
        """The table with further sets.

        Args:
            solved: the table before.
            sets: none of them in the table.
            prior: (new sets,) of each.
            readings: (new sets, observables, 2) of each.
        """
        n, first = solved.n_faults, len(solved.prior)
        values, place = numbered(self._values, solved.values, readings)
        pair_row = solved.pair_row.copy() if any(len(faults) <= 2 for faults in sets) else None
        for row, faults in enumerate(sets, first):
            if len(faults) > 2:
                self._larger[faults] = row
            elif pair_row is not None:
                a, b = (*faults, n, n)[:2]
                pair_row[a, b] = pair_row[b, a] = row
        members = padded(sets, n)
        return Solved(
            members=self._members.append(members, filler=n),
            prior=self._prior.append(prior),
            place=self._place.append(place),
            values=values,
            pair_row=solved.pair_row if pair_row is None else pair_row,
            larger=self._larger,
            n_base=solved.n_base,
            n_faults=n,
            chances=self._chances.append(values, place, any_loose(solved.loose, members)),
            loose=solved.loose,
        )

    def base(self, base: Solved) -> Solved:
        """A base among the rows."""
        end, known = len(base.prior), self._chances.now
        rows = len(base.chances.rows)
        return replace(
            base,
            members=self._members.now[:end],
            prior=self._prior.now[:end],
            place=self._place.now[:end],
            chances=base.chances._replace(
                rows=known.rows[:rows],
                noise=known.noise[:rows],
                near=known.near[:rows],
                which=known.which[:end],
            ),
        )
