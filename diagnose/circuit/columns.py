"""Runs put into columns from the top down, before the columns have a width.

Heights are multiples of `STEP`; a wire that comes to a run turns at its top plus `STEP`, one that
leaves it at its bottom plus one and a half of them, so that the two never lie on each other.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import count
from typing import TYPE_CHECKING

from diagnose.circuit.places import Link, Place, Put, Start
from diagnose.circuit.runs import Run

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.circuit.runs import Item

STEP = 6.0
ENTRY, SEAM, EXIT, SIGN, HEADING = 24.0, 18.0, 12.0, 24.0, 30.0
"""Height above a run for the wire that comes and its net's name; between two boxes; below a run for
the wire that goes on, or for a ground sign; of a heading."""

LEAST_PIECE = 3
"""A run is not broken for fewer boxes."""

GAP = 6.0
"""Between two runs in one column."""

LEAST_HEIGHT, LINE, PADDING = 30.0, 12.5, 7.0
"""Of a box: its sign needs the least; distance of its lines, and what is left around them."""

NEAR = 7.0
"""Two wires in one lane keep so far apart."""


@dataclass(slots=True)
class Grid:
    """Boxes in columns.

    Attributes:
        lines: what stands in each box.
        tall: height of a column, as far as boxes can be broken off.
        level: whether no run begins higher than what it hangs on.
        apart: runs that begin anew somewhere else, by the name of their net.
        free: column -> height from which on it is free.
    """

    lines: Mapping[Item, tuple[str, ...]]
    tall: float
    level: bool
    apart: int = 0
    boxes: list[Put] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)
    inner: list[tuple[str, int, float, float]] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    headings: list[tuple[str, int, float]] = field(default_factory=list)
    free: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def columns(self) -> int:
        """How many there are."""
        return max(put.column for put in self.boxes) + 1

    @property
    def height(self) -> float:
        """Down to the end of the longest."""
        return max(self.free.values()) - GAP

    def stack(
        self,
        items: Sequence[Item],
        column: int,
        nets: Sequence[str],
        top: float = 0.0,
        sign: str = "",
    ) -> list[Put]:
        """Boxes below each other under the wire that comes to them.

        Args:
            items: the parts.
            column: where.
            nets: net above each.
            top: where the wire's room begins.
            sign: of the first net.
        """
        first = top + STEP if sign else top + ENTRY / 2.0 + STEP / 2.0
        self.places.append(Place(nets[0], column, first, sign))
        y, puts = top + ENTRY, list[Put]()
        for number, item in enumerate(items):
            if number:
                self.inner.append((nets[number], column, y, y + SEAM))
                self.places.append(Place(nets[number], column, y + SEAM / 2.0))
                y += SEAM
            height = self.box_height(item)
            puts.append(Put(item, column, y, height, self.lines[item]))
            y += height
        self.boxes += puts
        self.free[column] = y + EXIT + GAP
        return puts

    def box_height(self, item: Item) -> float:
        """Of a part's box."""
        lines = len(self.lines[item])
        return max(LEAST_HEIGHT, STEP * -(-(LINE * lines + PADDING) // STEP))

    def _fitting(self, run: Run, top: float) -> int:
        """Boxes of a run that a column has room for below a height; one at least."""
        y, fitting = top + ENTRY + SIGN - SEAM, 0
        for item in run.items:
            y += self.box_height(item) + SEAM
            if y > self.tall:
                break
            fitting += 1
        return max(fitting, 1)

    def _has_room(self, run: Run, top: float) -> bool:
        least = min(len(run.items), LEAST_PIECE)
        whole = top + ENTRY + SIGN + sum(self.box_height(i) + SEAM for i in run.items[:least])
        return whole - SEAM <= self.tall

    def place(self, run: Run, column: int, top: float, sign: str = "") -> float:
        """Put a run and all that follows it; returns the height of the wire that comes to it."""
        fitting = self._fitting(run, top)
        piece, rest = run.items[:fitting], run.items[fitting:]
        puts = self.stack(piece, column, _above(piece, run.starts_at), top, sign)
        link = Link(column, piece[-1].far, _below(puts[-1]), [])
        if rest:
            on = Run(rest, run.children, link.net, run.ends_at, run.grounded)
            self.hang([on], link, top)
        else:
            self.end(run, puts[-1])
            self.hang(run.children, link, top)
        return top + STEP

    def end(self, run: Run, put: Put) -> None:
        """The sign under a run's last box."""
        if run.ends_at is None:
            return
        bottom = put.y + put.height
        if run.children:
            self.places.append(Place(run.ends_at, put.column, bottom + SEAM / 2.0))
        else:
            sign = "ground" if run.grounded else "arrow"
            self.places.append(Place(run.ends_at, put.column, bottom, sign))
        self.free[put.column] = bottom + SIGN + GAP

    def hang(self, runs: Sequence[Run], link: Link, top: float = 0.0) -> None:
        """Put runs to the right of a column, joined by a link, or elsewhere by name."""
        column = link.column + 1
        for run in sorted(runs, key=lambda run: -_reach(run)):
            start = max(self.free[column], top if self.level else 0.0)
            if self._has_room(run, start) or not start:
                link.ends.append(self.place(run, column, start))
            else:
                self.elsewhere(run)
        if link.ends:
            self.links.append(link)
        elif runs:
            self._arrow(link)

    def _arrow(self, link: Link) -> None:
        """A run's end from which all goes on elsewhere."""
        self.places.append(Place(link.net, link.column, link.start.box, "arrow"))
        self.free[link.column] = max(self.free[link.column], link.start.box + SIGN + GAP)

    def elsewhere(self, run: Run) -> None:
        """Put a run where there is room, the name of its net above it."""
        room = (c for c in range(self.columns) if self._has_room(run, self.free[c]))
        column = next(room, self.columns)
        self.apart += 1
        self.place(run, column, self.free[column], "from")

    def minus(self, runs: Sequence[Run], post: str) -> None:
        """The shared returns, below the battery in the first column."""
        battery = next(put for put in reversed(self.boxes) if put.column == 0)
        if len(runs) == 1:
            top = battery.y + battery.height
            self.inner.append((post, 0, top, top + ENTRY))
            self._returning(runs[0], post, top)
        else:
            self._beneath(runs, Link(0, post, _below(battery), [], within=True))

    def _beneath(self, runs: Sequence[Run], link: Link) -> None:
        """Runs below each other in the first column, joined on their left."""
        for run in runs:
            link.ends.append(self.free[0] + STEP)
            self._returning(run, link.net, self.free[0])
        if link.ends:
            self.links.append(link)

    def _returning(self, run: Run, net: str, top: float) -> None:
        """One of them, and what follows it."""
        puts = self.stack(run.items, 0, _above(run.items, net), top)
        self.end(run, puts[-1])
        if run.children:
            below = puts[-1].y + puts[-1].height
            start = Start(below, below + (SEAM + STEP / 2.0 if run.ends_at else STEP * 1.5))
            self.free[0] = start.y + STEP * 1.5
            self._beneath(run.children, Link(0, run.items[-1].far, start, [], within=True))

    def kill(self, run: Run) -> None:
        """A kill line under a heading, where it and what hangs on it stay beside each other."""
        boxes = max(([*child.items] for child in run.children), key=len, default=[])
        longest = sum(self.box_height(item) + SEAM for item in boxes) + ENTRY + SIGN
        column = next(
            (
                c
                for c in range(self.columns)
                if self._has_room(run, self.free[c] + HEADING)
                and max(self.free[c], self.free[c + 1]) + longest <= self.tall
            ),
            self.columns,
        )
        top = self.free[column]
        self.headings.append(("kill", column, top))
        self.place(run, column, top + HEADING, "source")

    def mechanical(self, items: Sequence[Item]) -> None:
        """Parts that belong to no circuit, under a heading; as many columns as they need."""
        rest = list(items)
        while rest:
            run = Run(rest[:1])
            room = (c for c in range(self.columns) if self._has_room(run, self.free[c] + HEADING))
            column = next(room, self.columns)
            y = self.free[column] + HEADING
            self.headings.append(("mechanical", column, self.free[column]))
            while rest and (y + self.box_height(rest[0]) <= self.tall or y == HEADING):
                height = self.box_height(rest[0])
                self.boxes.append(Put(rest[0], column, y, height, self.lines[rest.pop(0)]))
                y += height + GAP
            self.free[column] = y + GAP

    def lanes(self) -> dict[int, int]:
        """Give every link a lane of its channel where none overlaps; returns lanes in use."""
        used: dict[int, list[list[tuple[float, float]]]] = defaultdict(list)
        for link in sorted(self.links, key=lambda link: (link.channel, link.span)):
            lanes, (low, high) = used[link.channel], link.span
            link.lane = next(
                i
                for i in count()
                if i >= len(lanes) or all(high < a - NEAR or low > b + NEAR for a, b in lanes[i])
            )
            lanes.extend([] for _ in range(link.lane + 1 - len(lanes)))
            lanes[link.lane].append(link.span)
        return {channel: len(lanes) for channel, lanes in used.items()}


def _above(items: Sequence[Item], net: str) -> list[str]:
    """The net above each part of a run that begins at a net."""
    return [net, *(item.far for item in items[:-1])]


def _below(put: Put) -> Start:
    bottom = put.y + put.height
    return Start(bottom, bottom + STEP * 1.5)


def _reach(run: Run) -> int:
    """Boxes from the start of a run to the furthest end that hangs on it."""
    return len(run.items) + max((_reach(child) for child in run.children), default=0)
