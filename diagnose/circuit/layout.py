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

    Wires are lines of horizontal and vertical pieces, dots where they join, signs the ends of runs.
    """

    boxes: tuple[Box, ...]
    wires: tuple[tuple[Point, ...], ...]
    dots: tuple[Point, ...]
    signs: tuple[Sign, ...]
    width: float
    height: float


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


@dataclass(slots=True)
class _Grid:
    """Boxes put into columns from the top down; x counts columns here."""

    limit: int
    boxes: list[Box] = field(default_factory=list)
    links: list[_Link] = field(default_factory=list)
    inner: list[Point] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)
    free: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    def place(self, run: Run, column: int, top: float) -> float:
        """Put a run and all that follows it; returns the height of its first box."""
        pieces = [run.items[i : i + self.limit] for i in range(0, len(run.items), self.limit)]
        last = column + len(pieces) - 1
        top = max(top, *(self.free[c] for c in range(column, last + 1)))
        for c, piece in enumerate(pieces, column):
            if c > column:
                self.links.append(_Link(c - 1, self.boxes[-1].y, [top]))
            heights = [top + i * ROW for i in range(len(piece))]
            self.boxes += [Box(item, c, y) for item, y in zip(piece, heights, strict=True)]
            self.inner += [(c, y) for y in heights[1:]]
            self.free[c] = top + len(piece) * ROW + GAP
        bottom = self.boxes[-1].y
        if run.ends_at is not None:
            self.signs.append(Sign(run.ends_at, run.grounded, last, bottom))
            self.free[last] += SIGN - (ROW - BOX_HEIGHT)
        # what reaches furthest comes first: the shorter runs then fit in below its start
        self.hang(sorted(run.children, key=lambda child: -_reach(child)), last, bottom, top)
        return top

    def hang(self, runs: list[Run], column: int, start: float, top: float) -> None:
        """Put runs to the right of a column, wired to a height in it."""
        ends = [self.place(run, column + 1, top) for run in runs]
        if ends:
            self.links.append(_Link(column, start, ends))

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
            before = [
                other
                for other in self.links
                if other is not link
                and other.column == link.column
                and any(abs(other.start - end) < LANE for end in link.ends)
            ]
            for other in before:
                give(other)
            first = max((other.lane + 1 for other in before), default=0)
            lanes = used[link.column]
            link.lane = next(i for i in count(first) if i >= len(lanes) or link.fits(lanes[i]))
            lanes.extend([] for _ in range(link.lane + 1 - len(lanes)))
            lanes[link.lane].append(link.span)

        for link in sorted(self.links, key=lambda link: (link.column, link.span)):
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
    return min(tries, key=lambda layout: max(layout.width, layout.height * PAGE_RATIO))


def _lay_out(plus: Run, minus: list[Run], limit: int) -> Layout:
    """The battery, and what hangs on its posts, above and below the middle of its box."""
    grid = _Grid(limit)
    grid.place(Run(plus.items[:1]), 0, 0.0)
    rest = [replace(plus, items=plus.items[1:])] if plus.items[1:] else plus.children
    grid.hang(rest, 0, -BOX_HEIGHT / 4.0, 0.0)
    grid.hang(minus, 0, BOX_HEIGHT / 4.0, 0.0)
    return _drawn(grid, grid.lanes())


def _drawn(grid: _Grid, lanes: dict[int, int]) -> Layout:
    """The grid with its columns in the picture's units."""
    columns = int(max(box.x for box in grid.boxes)) + 1
    left = [0.0]
    for column in range(columns):
        channel = 2 * SIDE + LANE * max(lanes.get(column, 1) - 1, 0)
        left.append(left[-1] + BOX_WIDTH + channel)
    centre = [x + BOX_WIDTH / 2.0 for x in left]
    wires: list[tuple[Point, ...]] = [
        ((centre[int(c)], y - ROW + BOX_HEIGHT), (centre[int(c)], y)) for c, y in grid.inner
    ]
    dots: list[Point] = []
    for link in grid.links:
        _wire(link, left, wires, dots)
    return Layout(
        boxes=tuple(replace(box, x=left[int(box.x)]) for box in grid.boxes),
        wires=tuple(wires),
        dots=tuple(dots),
        signs=tuple(
            replace(sign, x=centre[int(sign.x)], y=sign.y + BOX_HEIGHT) for sign in grid.signs
        ),
        width=left[columns - 1] + BOX_WIDTH,
        height=max(grid.free.values()) - GAP,
    )


def _wire(
    link: _Link, left: list[float], wires: list[tuple[Point, ...]], dots: list[Point]
) -> None:
    """A link's pieces; dots where three or more meet."""
    middle = BOX_HEIGHT / 2.0
    start = (left[link.column] + BOX_WIDTH, link.start + middle)
    lane = start[0] + SIDE + LANE * link.lane
    for end in link.ends:
        goal = (left[link.column + 1], end + middle)
        wires.append((start, (lane, start[1]), (lane, goal[1]), goal))
    heights = sorted({link.start, *link.ends})
    for height in heights:
        above, below = height > heights[0], height < heights[-1]
        arms = above + below + (height == link.start) + (height in link.ends)
        if arms > 2:
            dots.append((lane, height + middle))
