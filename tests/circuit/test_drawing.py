"""The picture of a circuit: everything is there, nothing lies on anything else, wires are true."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.circuit.drawing import draw, luminance, percent, shade, wrap
from diagnose.circuit.layout import BOX_HEIGHT, BOX_WIDTH, Layout, make_layout
from diagnose.errors import CircuitError, UnknownNameError, ValueOutOfRangeError
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.bench import battery, line, machine, mode, relay
from tests.circuit.every_part import every_part

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Part, PartKind

SVG = "{http://www.w3.org/2000/svg}"

NARROW, WIDE = frozenset("ijltfrI.,:;'|!()[] -/"), frozenset("mwMW%@+<>\u2212ACDGHKNOQRUVXYZ")
OPEN = mode("open", open=True)


@pytest.fixture(scope="module", params=[*machine_names(), "every_part"])
def drawn(request: pytest.FixtureRequest) -> Machine:
    return every_part() if request.param == "every_part" else load_machine(request.param)


def some_suspects(one: Machine) -> dict[str, float]:
    shares = (0.43, 0.0, 0.002, 1.0, 0.08, 0.999)
    return {part: shares[i % len(shares)] for i, part in enumerate(one.parts) if i % 2}


@dataclass(frozen=True)
class Area:
    """A rectangle on the page, with what it holds."""

    left: float
    top: float
    right: float
    bottom: float
    what: str

    def overlaps(self, other: Area) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def inside(self, other: Area) -> bool:
        return (
            other.left <= self.left
            and self.right <= other.right
            and other.top <= self.top
            and self.bottom <= other.bottom
        )


def text_width(text: str, size: float) -> float:
    """From memory: Helvetica's letters are 0.28 (i), 0.56 (a, digits) or up to 0.83 em (m) wide."""
    em = sum(0.34 if c in NARROW else 0.8 if c in WIDE else 0.556 for c in text)
    return em * size


def shift(element: ET.Element) -> tuple[float, float]:
    found = re.fullmatch(r"translate\((-?[\d.]+) (-?[\d.]+)\)", element.get("transform", ""))
    return (float(found[1]), float(found[2])) if found else (0.0, 0.0)


def texts(element: ET.Element, x: float = 0.0, y: float = 0.0) -> list[Area]:
    """Every piece of text with the room it takes."""
    dx, dy = shift(element)
    x, y = x + dx, y + dy
    found = []
    if element.tag == f"{SVG}text":
        size, text = float(element.get("font-size", "0")), element.text or ""
        width = text_width(text, size)
        at = x + float(element.get("x", "0"))
        at -= {"start": 0.0, "middle": width / 2.0, "end": width}[element.get("text-anchor", "")]
        base = y + float(element.get("y", "0"))
        found.append(Area(at, base - 0.75 * size, at + width, base + 0.2 * size, text))
    for child in element:
        found += texts(child, x, y)
    return found


def boxes(element: ET.Element, x: float = 0.0, y: float = 0.0) -> list[Area]:
    """Every part's box."""
    dx, dy = shift(element)
    x, y = x + dx, y + dy
    part = element.get("data-part")
    found = [Area(x, y, x + BOX_WIDTH, y + BOX_HEIGHT, part)] if part else []
    for child in element:
        found += boxes(child, x, y)
    return found


def check_picture(one: Machine, suspects: dict[str, float]) -> None:
    root = ET.fromstring(draw(one, suspects))  # noqa: S314 - written by the function under test
    page = Area(0, 0, float(root.get("width", "0")), float(root.get("height", "0")), "page")
    words, parts = texts(root), boxes(root)
    clashes = [(a.what, b.what) for a, b in combinations(words, 2) if a.overlaps(b)]
    assert not clashes
    assert not [(a.what, b.what) for a, b in combinations(parts, 2) if a.overlaps(b)]
    assert all(area.inside(page) for area in [*words, *parts])
    across = [(w.what, p.what) for w in words for p in parts if w.overlaps(p) and not w.inside(p)]
    assert not across
    assert {area.what for area in parts} == set(one.parts)


def test_nothing_lies_on_anything_else(drawn: Machine) -> None:
    check_picture(drawn, {})
    check_picture(drawn, some_suspects(drawn) | {"unlisted": 0.04})


def test_the_page_is_landscape(drawn: Machine) -> None:
    root = ET.fromstring(draw(drawn))  # noqa: S314
    ratio = float(root.get("width", "0")) / float(root.get("height", "1"))
    assert ratio == pytest.approx(297 / 210, rel=0.01)  # ISO 216


def test_the_picture_stands_alone(drawn: Machine) -> None:
    text = draw(drawn)
    assert text.startswith("<svg ")
    assert not re.search(r"href|url\(|<script|<image|@import|<foreignObject", text)
    assert "NaN" not in text
    assert "nan" not in re.sub(r"<(title|text)[^>]*>[^<]*", "", text)
    assert draw(drawn) == text


def test_every_part_has_its_title_and_a_relay_its_contacts(drawn: Machine) -> None:
    root = ET.fromstring(draw(drawn))  # noqa: S314
    told: dict[str, list[str]] = {}
    for group in root.iter(f"{SVG}g"):
        if group.get("data-part"):
            title = group.find(f"{SVG}title")
            assert title is not None
            told.setdefault(group.get("data-part", ""), []).append(title.text or "")
    for part in drawn.parts.values():
        gated = part.kind in {"relay", "controller"}
        expected = [part.title, f"{part.title}: contacts"] if gated else [part.title]
        assert sorted(told[part.id]) == sorted(expected)


def test_suspects_are_shaded_and_told(drawn: Machine) -> None:
    first, second = list(drawn.parts)[:2]
    root = ET.fromstring(draw(drawn, {second: 0.43, "unlisted": 0.031}))  # noqa: S314
    fills = {}
    for group in root.iter(f"{SVG}g"):
        if group.get("data-part"):
            box = group.find(f"{SVG}rect")
            assert box is not None
            fills[group.get("data-part")] = box.get("fill")
    assert fills[first] == "#fff"
    assert fills[second] == "#{:02x}{:02x}{:02x}".format(*shade(0.43))
    words = [area.what for area in texts(root)]
    assert "43 %" in words
    assert "something that is not drawn here: 3 %" in words
    assert drawn.title + ": start circuit" in words


def joined(layout: Layout) -> list[tuple[int, int]]:
    """Pairs of boxes that a wire joins, by where it starts and ends."""
    sides = {}
    for i, box in enumerate(layout.boxes):
        middle, centre = box.y + BOX_HEIGHT / 2.0, box.x + BOX_WIDTH / 2.0
        sides[round(box.x, 3), round(middle, 3)] = i
        sides[round(box.x + BOX_WIDTH, 3), round(middle, 3)] = i
        sides[round(centre, 3), round(box.y, 3)] = i
        sides[round(centre, 3), round(box.y + BOX_HEIGHT, 3)] = i
        if box.item.part == "battery":
            for quarter in (0.25, 0.75):
                sides[round(box.x + BOX_WIDTH, 3), round(box.y + quarter * BOX_HEIGHT, 3)] = i
    ends = [(wire[0], wire[-1]) for wire in layout.wires]
    return [(sides[_near(a)], sides[_near(b)]) for a, b in ends]


def _near(point: tuple[float, float]) -> tuple[float, float]:
    return round(point[0], 3), round(point[1], 3)


def ends_of(part: Part, *, contacts: bool) -> set[str]:
    """Nets of the path that a box stands for."""
    roles = {
        ("relay", True): ("contact_in", "contact_out"),
        ("relay", False): ("coil_in", "coil_out"),
        ("controller", True): ("supply", "output", "ground"),
        ("controller", False): ("supply", "ground"),
    }.get((part.kind, contacts), tuple(part.terminals))
    return {part.terminals[role] for role in roles}


def check_wires(one: Machine) -> None:
    """Every wire joins two parts that share a net, and the picture hangs together."""
    layout = make_layout(one)
    ends = [ends_of(one.parts[b.item.part], contacts=b.item.contacts) for b in layout.boxes]
    pairs = joined(layout)
    assert all(ends[a] & ends[b] for a, b in pairs)
    assert len(pairs) == len(layout.boxes) - 1  # a tree: every box is reached once
    group = list(range(len(layout.boxes)))
    for a, b in pairs:
        group = [group[a] if g == group[b] else g for g in group]
    assert len(set(group)) == 1
    for sign in layout.signs:
        above = [
            i
            for i, box in enumerate(layout.boxes)
            if math.isclose(box.x + BOX_WIDTH / 2.0, sign.x)
            and math.isclose(box.y + BOX_HEIGHT, sign.y)
        ]
        assert [sign.net in ends[i] for i in above] == [True]


def pieces(layout: Layout) -> list[tuple[Area, tuple[float, float]]]:
    """Straight pieces of wire, a little thick, each with the place where its wire starts."""
    found = []
    for wire in layout.wires:
        for (x1, y1), (x2, y2) in pairwise(wire):
            assert x1 == x2 or y1 == y2  # orthogonal
            area = Area(min(x1, x2) - 1, min(y1, y2) - 1, max(x1, x2) + 1, max(y1, y2) + 1, "")
            found.append((area, wire[0]))
    return found


def check_clear_ways(one: Machine) -> None:
    """Wires run beside boxes, not through them, and never along one another."""
    layout = make_layout(one)
    lines = pieces(layout)
    for box in layout.boxes:
        inner = Area(box.x + 2, box.y + 2, box.x + BOX_WIDTH - 2, box.y + BOX_HEIGHT - 2, "")
        assert not any(area.overlaps(inner) for area, _ in lines)
    for (a, start), (b, other) in combinations(lines, 2):
        if start != other and a.overlaps(b):
            upright = [area.right - area.left < 3 < area.bottom - area.top for area in (a, b)]
            assert upright[0] != upright[1], "wires of two nets run along one another"


def test_wires_join_what_the_file_joins(drawn: Machine) -> None:
    check_wires(drawn)


def test_wires_keep_clear(drawn: Machine) -> None:
    check_clear_ways(drawn)


@st.composite
def machines(draw_: st.DrawFn) -> Machine:
    """Random radial wiring of up to some fifty parts with titles of all lengths."""
    parts = [battery(12.65, 0.016)]
    kinds: tuple[PartKind, ...] = ("wire", "connector", "fuse", "switch")
    nets, backs = ["plus"], ["minus"]
    for i in range(draw_(st.integers(1, 24))):
        near = draw_(st.sampled_from(nets[-6:]))
        kind = draw_(st.sampled_from(kinds))
        parts.append(line(f"p{i}", kind, f"{near}>n{i}", 0.01, OPEN))
        nets.append(f"n{i}")
    for i in range(draw_(st.integers(0, 4))):
        near = draw_(st.sampled_from(backs))
        parts.append(line(f"g{i}", "ground", f"b{i}>{near}", 0.01, OPEN))
        backs.append(f"b{i}")
    for i in range(draw_(st.integers(1, 18))):
        high, low = draw_(st.sampled_from(nets)), draw_(st.sampled_from(backs))
        if i % 6 == 5:
            parts.append(relay(f"l{i}", f"{high}>{low}", f"{high}>r{i}", OPEN))
        else:
            parts.append(line(f"l{i}", "load", f"{high}>{low}", 4.0, OPEN))
    return machine(parts, {"on": ()})


WORDS = st.text(st.sampled_from("abcdemw <&\"'"), min_size=1, max_size=90)


@settings(max_examples=60, deadline=None)
@given(machines(), st.lists(WORDS, min_size=1, max_size=5))
def test_random_wiring_is_drawn_clearly(one: Machine, titles: list[str]) -> None:
    named = {
        part.id: replace(part, title=titles[i % len(titles)].strip() or "x")
        for i, part in enumerate(one.parts.values())
    }
    one = replace(one, parts=named)
    check_picture(one, some_suspects(one))
    check_wires(one)
    check_clear_ways(one)


def contrast(dark: float, light: float) -> float:
    return (light + 0.05) / (dark + 0.05)


def test_letters_stand_out_on_every_shade() -> None:
    # WCAG 2.1, 1.4.3: at least 4.5 to 1
    one = machine([battery(12.0, 0.1), line("load", "load", "plus>minus", 4.0, OPEN)], {"on": ()})
    for probability in (i / 100 for i in range(101)):
        white = 'class="part on-dark" data-part="load"' in draw(one, {"load": probability})
        light = luminance(shade(probability))
        assert contrast(light, 1.0) >= 4.5 if white else contrast(0.0, light) >= 4.5


def test_shades_darken_steadily() -> None:
    # in a print without colour the order must still be seen
    lights = [luminance(shade(i / 100)) for i in range(101)]
    assert all(a > b for a, b in pairwise(lights))
    assert lights[0] > 0.9
    assert lights[-1] < 0.1


@pytest.mark.parametrize(
    ("probability", "told"),
    [
        (0.0, "0 %"),
        (0.002, "<1 %"),
        (0.03, "3 %"),
        (0.434, "43 %"),
        (0.999, ">99 %"),
        (1.0, "100 %"),
    ],
)
def test_percentages_as_people_say_them(probability: float, told: str) -> None:
    assert percent(probability) == told


def test_titles_are_wrapped_and_cut() -> None:
    assert wrap("Wire under the floor", 80.0, 10.0, 3) == ["Wire under the", "floor"]
    assert wrap("Wire under the floor", 200.0, 10.0, 3) == ["Wire under the floor"]
    cut = wrap("a" * 50 + " b c", 100.0, 10.0, 2)
    assert cut[0].endswith("...")
    assert all(text_width(row, 10.0) <= 100.0 for row in cut)
    assert wrap("one two three four", 28.0, 10.0, 2)[-1].endswith("...")


def test_wrong_suspects_are_refused() -> None:
    one = load_machine("utility_vehicle")
    with pytest.raises(UnknownNameError, match="nearest is 'start_relay'"):
        draw(one, {"start_rely": 0.5})
    for wrong in (-0.1, 1.1, math.nan, math.inf):
        with pytest.raises(ValueOutOfRangeError):
            draw(one, {"start_relay": wrong})


def test_a_loop_is_refused() -> None:
    loop = [
        battery(12.0, 0.1),
        line("one", "wire", "plus>far", 0.1, OPEN),
        line("two", "wire", "plus>far", 0.1, OPEN),
        line("load", "load", "far>minus", 4.0, OPEN),
    ]
    with pytest.raises(CircuitError, match="form a loop"):
        draw(machine(loop, {"on": ()}))
