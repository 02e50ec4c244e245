"""Where everything stands in the picture of a circuit: boxes, wires, ground signs, net names.

Runs are columns of boxes read downwards. The battery stands in the first column, its plus side
above it and its minus side below. What follows a run stands in the column to its right; long runs
are broken into several columns, as text is. All heights are multiples of `STEP`, so that a wire
that leaves a run never lies on one that comes to another. Lengths are in the picture's own units.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.circuit.columns import ENTRY, STEP, Grid
from diagnose.circuit.lettering import wrap
from diagnose.circuit.places import Link, Place, Put, Start
from diagnose.circuit.runs import Item, Run, make_runs
from diagnose.machine.ends import COIL_ROLES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from diagnose.circuit.runs import Runs
    from diagnose.machine.model import Machine, Part

TITLE, LINE, NET_NAME = 11.5, 12.5, 11.0
"""Size of a part's title, the distance of its lines, size of a net's name."""

WIRE_X, TEXT_X = 22.0, 42.0
"""From the left side of a box to the wire through its sign, and to its title."""

LANE, SIDE = 7.0, 9.0
"""Between two wires beside each other; between a box and the first wire beside it."""

WIDTHS = (140.0, 156.0, 172.0, 190.0, 210.0)
"""Widths of boxes that are tried."""

TALLS = tuple(420.0 + 48.0 * i for i in range(15))
"""Heights of columns that are tried."""

APART = 0.01
"""What a run that begins elsewhere by its net's name is worth, in shares of the page's width."""

ABOVE = 4
"""Parts of the plus side that stand above the battery at most."""

MOST_LINES = 6
PAGE_RATIO = 297.0 / 210.0
"""Width to height of a landscape page (ISO 216)."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A part's box; x and y are its upper left corner."""

    item: Item
    x: float
    y: float
    width: float
    height: float
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Label:
    """Where a net is named: x and y are a point on its wire, the name stands to the right.

    Attributes:
        sign: `ground` or `arrow` where the wire ends there, `source` for a ground sign from which
            a run begins, `from` where one begins by the name of its net, empty elsewhere.
        room: width for the name and for marks.
    """

    net: str
    x: float
    y: float
    room: float
    sign: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """A picture's geometry.

    Wires are lines of horizontal and vertical pieces, each with its net; dots where they join.
    Headings are where kill lines begin, `kill`, and where parts stand that belong to no circuit,
    `mechanical`. `apart` counts runs that begin by the name of their net.
    """

    boxes: tuple[Box, ...]
    wires: tuple[tuple[str, tuple[Point, ...]], ...]
    dots: tuple[Point, ...]
    labels: tuple[Label, ...]
    headings: tuple[Label, ...]
    width: float
    height: float
    apart: int


@dataclass(frozen=True, slots=True)
class Shape:
    """How a picture is arranged: width of its boxes, height of its columns, and how runs begin."""

    width: float
    tall: float
    level: bool


def make_layout(
    machine: Machine,
    told: Mapping[str, str] | None = None,
    beside: Callable[[float, float], float] | None = None,
    shape: Shape | None = None,
) -> Layout:
    """Lay a machine's circuit out so that it fills a page best.

    Args:
        machine: the machine.
        told: part id -> a last line in its box.
        beside: from a width and a height to what is to be smallest; the page's width if left out.
        shape: arrangement to keep to; the best is looked for if left out.

    Raises:
        CircuitError: the wiring joins plus to minus or leaves something hanging.
    """
    if shape is None:
        return _best(machine, told, beside)[1]
    runs = make_runs(machine)
    return _tried(runs, _told_lines(machine, runs, told or {}, shape.width), shape)


def best_shape(
    machine: Machine,
    told: Mapping[str, str] | None = None,
    beside: Callable[[float, float], float] | None = None,
) -> Shape:
    """The arrangement of the best layout; arguments and errors as of `make_layout`."""
    return _best(machine, told, beside)[0]


def _best(
    machine: Machine,
    told: Mapping[str, str] | None,
    beside: Callable[[float, float], float] | None,
) -> tuple[Shape, Layout]:
    runs = make_runs(machine)
    size = beside or (lambda width, height: max(width, height * PAGE_RATIO))
    tries = (layout for width in WIDTHS for layout in _tries(machine, runs, told or {}, width))
    return min(
        tries,
        key=lambda found: size(found[1].width, found[1].height) * (1.0 + APART * found[1].apart),
    )


def _tries(
    machine: Machine, runs: Runs, told: Mapping[str, str], width: float
) -> Iterator[tuple[Shape, Layout]]:
    lines = _told_lines(machine, runs, told, width)
    for tall in TALLS:
        for level in (True, False):
            shape = Shape(width, tall, level)
            yield shape, _tried(runs, lines, shape)


def _tried(runs: Runs, lines: Mapping[Item, tuple[str, ...]], shape: Shape) -> Layout:
    return _drawn(_filled(Grid(lines, shape.tall, shape.level), runs), shape.width)


def _told_lines(
    machine: Machine, runs: Runs, told: Mapping[str, str], width: float
) -> dict[Item, tuple[str, ...]]:
    """What stands in each box of a width."""
    every = [runs.plus, *runs.minus, *runs.kill, *runs.across, Run(runs.mechanical)]
    room = width - TEXT_X - 5.0
    return {item: _lines(machine, item, told.get(item.part), room) for item in _items(every)}


def _items(runs: Sequence[Run]) -> Iterator[Item]:
    for run in runs:
        yield from run.items
        yield from _items(run.children)


def _lines(machine: Machine, item: Item, told: str | None, room: float) -> tuple[str, ...]:
    """What stands in a box: the title, what is written on the part, the probability."""
    part = machine.parts[item.part]
    title = f"{part.title}: contacts" if item.contacts else part.title
    rating = ""
    if part.fuse_amps is not None and "A" not in title.split():
        rating = f", {part.fuse_amps:g}\u00a0A"
    elif part.wire_mm2 is not None:
        rating = f", {part.wire_mm2:.2g}\u00a0mm\u00b2"
    rating += f", {part.colour}" if part.colour else ""
    rating += pins_of(part, contacts=item.contacts)
    bound = re.sub(r"(?<=\d) (?=[AWV]\b)", "\u00a0", title)
    lines = wrap(bound + rating, room, TITLE, MOST_LINES)
    return (*lines, told) if told else tuple(lines)


def pins_of(part: Part, *, contacts: bool) -> str:
    """The pins of the path that a box stands for, the nearer one first."""
    coil = () if contacts else COIL_ROLES.get(part.kind, ())
    roles = coil or [role for role in part.terminals if not role.startswith("coil")]
    pins = [part.pins[role] for role in roles if role in part.pins]
    if not pins:
        return ""
    return f", pin {pins[0]}" if len(pins) == 1 else f", pins {pins[0]} and {pins[1]}"


def _filled(grid: Grid, runs: Runs) -> Grid:
    """Everything put into columns."""
    plus = runs.plus
    above = min(len(plus.items) - 1, ABOVE)
    post = plus.items[above].far
    column = plus.items[above::-1]
    grid.stack(column, 0, [item.far for item in column])
    grid.minus(runs.minus, plus.starts_at)
    rest = replace(plus, items=plus.items[above + 1 :], starts_at=post)
    first = [rest] if rest.items else plus.children
    grid.hang(first, Link(0, post, Start(ENTRY, STEP), []))
    for run in runs.kill:
        grid.kill(run)
    for run in runs.across:
        grid.elsewhere(run)
    grid.mechanical(runs.mechanical)
    return grid


def _drawn(grid: Grid, width: float) -> Layout:
    """The grid with its columns in the picture's units."""
    lanes = grid.lanes()
    left = [LANE * lanes.get(-1, 0) + (SIDE if lanes.get(-1, 0) else 0.0)]
    for column in range(grid.columns):
        channel = 2 * SIDE + LANE * max(lanes.get(column, 1) - 1, 0)
        left.append(left[-1] + width + channel)
    wires: list[tuple[str, tuple[Point, ...]]] = []
    dots: list[Point] = []
    for net, column, top, bottom in grid.inner:
        x = left[column] + WIRE_X
        wires.append((net, ((x, top), (x, bottom))))
    for link in grid.links:
        _wire(link, left, width, wires, dots)
    return Layout(
        boxes=tuple(_box(put, left, width) for put in grid.boxes),
        wires=tuple(wires),
        dots=tuple(dots),
        labels=tuple(_label(place, left, width) for place in grid.places),
        headings=tuple(Label(kind, left[column], y, width) for kind, column, y in grid.headings),
        width=left[grid.columns - 1] + width,
        height=grid.height,
        apart=grid.apart,
    )


def _box(put: Put, left: Sequence[float], width: float) -> Box:
    return Box(put.item, left[put.column], put.y, width, put.height, put.lines)


def _label(place: Place, left: Sequence[float], width: float) -> Label:
    x = left[place.column] + WIRE_X
    return Label(place.net, x, place.y, width - WIRE_X - 8.0, place.sign)


def _wire(
    link: Link,
    left: Sequence[float],
    width: float,
    wires: list[tuple[str, tuple[Point, ...]]],
    dots: list[Point],
) -> None:
    """A link's pieces, from under a box or above one to above others; dots where three meet."""
    start = (left[link.column] + WIRE_X, link.start.y)
    edge = left[link.column] + width if link.column >= 0 else -SIDE
    lane = edge + SIDE + LANE * link.lane
    heights = sorted({link.start.y, *link.ends})
    if link.within:
        lane = left[0] - SIDE - LANE * link.lane
    for end in link.ends:
        goal = (left[link.column + (0 if link.within else 1)] + WIRE_X, end)
        points = ((start[0], link.start.box), start, (lane, start[1]), (lane, end), goal)
        wires.append((link.net, (*points, (goal[0], end + ENTRY - STEP))))
    for height in heights:
        above, below = height > heights[0], height < heights[-1]
        arms = above + below + (height == link.start.y) + (height in link.ends)
        if arms > 2:
            dots.append((lane, height))
