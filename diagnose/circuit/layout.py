"""Where everything stands in the picture of a circuit: boxes, wires, ground signs.

Runs are columns of boxes read downwards; what follows a run stands in the column to its right.
Long runs are broken into several columns, as text is, so that the whole fits a landscape page.
All lengths are in the picture's own units, about a sixth of a millimetre on A4.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from itertools import count
from typing import TYPE_CHECKING

from diagnose.circuit.runs import Item, Run, make_runs

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

BOX_WIDTH, BOX_HEIGHT = 206.0, 44.0
ROW = 54.0
"""From one box of a run to the next."""
GAP = 14.0
"""Between two runs in one column."""
SIGN = 28.0
"""Height that a ground sign takes below its box."""
LANE = 8.0
"""Between two wires beside each other."""
SIDE = 12.0
"""Between a box and the first wire beside it."""
PAGE_RATIO = 297.0 / 210.0
"""Width to height of a landscape page (ISO 216)."""
LONGEST = 16
"""Boxes in a column at most."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A part's box; x and y are its upper left corner."""

    item: Item
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Sign:
    """The end of a run under a box, with its net; x and y are where its wire starts."""

    net: str
    grounded: bool
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Layout:
    """A picture's geometry.

    Attributes:
        boxes: parts.
        wires: lines of horizontal and vertical pieces.
        dots: where wires join.
        signs: ends of runs.
        width, height: extent, from 0.
    """

    boxes: tuple[Box, ...]
    wires: tuple[tuple[Point, ...], ...]
    dots: tuple[Point, ...]
    signs: tuple[Sign, ...]
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class _Placed:
    item: Item
    column: int
    y: float


@dataclass(slots=True)
class _Link:
    """A wire from the right side of one box to the left sides of others, through a channel."""

    column: int
    start: float
    ends: list[float]
    lane: int = 0

    @property
    def span(self) -> tuple[float, float]:
        return min(self.start, *self.ends), max(self.start, *self.ends)

    def fits(self, spans: list[tuple[float, float]]) -> bool:
        """Whether a lane with these spans has room for this one."""
        low, high = self.span
        return all(high < a - LANE or low > b + LANE for a, b in spans)

    def turns_off_before(self, other: _Link) -> bool:
        """Whether this one leaves where the other, in the same channel, arrives."""
        meets = any(abs(self.start - end) < LANE for end in other.ends)
        return self is not other and self.column == other.column and meets


@dataclass(slots=True)
class _Grid:
    """Boxes put into columns from the top down."""

    limit: int
    placed: list[_Placed] = field(default_factory=list)
    links: list[_Link] = field(default_factory=list)
    inner: list[tuple[int, float]] = field(default_factory=list)
    signs: list[tuple[str, bool, int, float]] = field(default_factory=list)
    free: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    def place(self, run: Run, column: int, top: float) -> float:
        """Put a run and all that follows it; returns the height of its first box."""
        pieces = [run.items[i : i + self.limit] for i in range(0, len(run.items), self.limit)]
        columns = range(column, column + len(pieces))
        top = max(top, *(self.free[c] for c in columns))
        for c, piece in zip(columns, pieces, strict=True):
            self._piece(piece, c, top)
            if c > column:
                self.links.append(_Link(c - 1, self.placed[-1 - len(piece)].y, [top]))
        last, bottom = columns[-1], self.placed[-1].y
        if run.ends_at is not None:
            self.signs.append((run.ends_at, run.grounded, last, bottom))
            self.free[last] += SIGN - (ROW - BOX_HEIGHT)
        self._follow(run, last, bottom, top)
        return top

    def _piece(self, piece: list[Item], column: int, top: float) -> None:
        for i, item in enumerate(piece):
            self.placed.append(_Placed(item, column, top + i * ROW))
            if i:
                self.inner.append((column, top + i * ROW))
        self.free[column] = top + len(piece) * ROW + GAP

    def _follow(self, run: Run, column: int, bottom: float, top: float) -> None:
        """What reaches furthest comes first: the shorter runs then fit in below its start."""
        order = sorted(run.children, key=lambda child: -_reach(child))
        ends = [self.place(child, column + 1, top) for child in order]
        if ends:
            self.links.append(_Link(column, bottom, ends))

    def lanes(self) -> dict[int, int]:
        """Give every link a lane of its channel where none overlaps; returns lanes in use.

        A wire that leaves a box at the height where another one arrives must turn off before it.
        """
        used: dict[int, list[list[tuple[float, float]]]] = defaultdict(list)
        done: set[int] = set()

        def give(link: _Link) -> None:
            if id(link) in done:
                return
            done.add(id(link))
            before = [one for one in self.links if one.turns_off_before(link)]
            for one in before:
                give(one)
            first = max((one.lane + 1 for one in before), default=0)
            lanes = used[link.column]
            link.lane = next(i for i in count(first) if i >= len(lanes) or link.fits(lanes[i]))
            lanes.extend([] for _ in range(link.lane + 1 - len(lanes)))
            lanes[link.lane].append(link.span)

        for link in sorted(self.links, key=lambda one: (one.column, one.span)):
            give(link)
        return {column: len(lanes) for column, lanes in used.items()}


def _reach(run: Run) -> int:
    """Boxes from the start of a run to the furthest end that hangs on it."""
    return len(run.items) + max((_reach(child) for child in run.children), default=0)


def make_layout(machine: Machine) -> Layout:
    """Lay a machine's circuit out so that it fills a landscape page best.

    Raises:
        CircuitError: the wiring has a loop or leaves a load hanging.
    """
    plus, minus = make_runs(machine)
    tries = [_lay_out(plus, minus, limit) for limit in range(2, LONGEST + 1)]
    return min(tries, key=lambda one: max(one.width, one.height * PAGE_RATIO))


def _lay_out(plus: Run, minus: list[Run], limit: int) -> Layout:
    grid = _Grid(limit)
    grid.place(Run(plus.items[:1]), 0, 0.0)
    rest = [replace(plus, items=plus.items[1:])] if plus.items[1:] else plus.children
    half = BOX_HEIGHT / 4.0
    _hang(grid, rest, -half)
    _hang(grid, minus, half)
    lanes = grid.lanes()
    return _drawn(grid, lanes)


def _hang(grid: _Grid, runs: list[Run], offset: float) -> None:
    """Runs that hang on a post of the battery, above or below the middle of its box."""
    ends = [grid.place(run, 1, 0.0) for run in runs]
    if ends:
        grid.links.append(_Link(0, offset, ends))


def _drawn(grid: _Grid, lanes: dict[int, int]) -> Layout:
    columns = max(one.column for one in grid.placed) + 1
    left = [0.0]
    for column in range(columns):
        channel = 2 * SIDE + LANE * max(lanes.get(column, 1) - 1, 0)
        left.append(left[-1] + BOX_WIDTH + channel)
    middle, centre = BOX_HEIGHT / 2.0, BOX_WIDTH / 2.0
    wires: list[tuple[Point, ...]] = [
        ((left[c] + centre, y - ROW + BOX_HEIGHT), (left[c] + centre, y)) for c, y in grid.inner
    ]
    dots: list[Point] = []
    for link in grid.links:
        _wire(link, left, middle, wires, dots)
    signs = [
        Sign(net, grounded, left[c] + centre, y + BOX_HEIGHT) for net, grounded, c, y in grid.signs
    ]
    return Layout(
        boxes=tuple(Box(one.item, left[one.column], one.y) for one in grid.placed),
        wires=tuple(wires),
        dots=tuple(dots),
        signs=tuple(signs),
        width=left[columns - 1] + BOX_WIDTH,
        height=max(grid.free.values()) - GAP,
    )


def _wire(
    link: _Link,
    left: list[float],
    middle: float,
    wires: list[tuple[Point, ...]],
    dots: list[Point],
) -> None:
    """A link's pieces; dots where three or more meet."""
    start = (left[link.column] + BOX_WIDTH, link.start + middle)
    lane = start[0] + SIDE + LANE * link.lane
    heights = sorted({link.start, *link.ends})
    for end in link.ends:
        goal = (left[link.column + 1], end + middle)
        wires.append((start, (lane, start[1]), (lane, goal[1]), goal))
    for height in heights:
        above, below = height > heights[0], height < heights[-1]
        arms = above + below + (height == link.start) + (height in link.ends)
        if arms > 2:
            dots.append((lane, height + middle))
