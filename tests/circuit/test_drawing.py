"""The picture of a circuit: everything is there, nothing lies on anything else, wires are true."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.circuit.drawing import (
    PRINTED_WIDTH,
    draw,
    luminance,
    percent,
    shade,
    steady_shape,
)
from diagnose.circuit.layout import WIRE_X, Layout, Shape
from diagnose.circuit.lettering import wrap
from diagnose.circuit.runs import make_runs
from diagnose.errors import CircuitError, UnknownNameError, ValueOutOfRangeError
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.bench import battery, line, machine, mode, relay
from tests.circuit.sheet import SVG, Area, boxes, laid_out, pieces, some_suspects, text_width, texts

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Part, PartKind

LEAST_POINTS = 7.0
"""Letters on a page that is read at arm's length. Common practice, no source."""

OPEN = mode("open", open=True)


def check_picture(one: Machine, suspects: dict[str, float], shape: Shape | None = None) -> None:
    text = draw(one, suspects, shape=shape)
    root = ET.fromstring(text)  # noqa: S314 - written by the function under test
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


def test_nothing_moves_while_the_suspects_change(drawn: Machine) -> None:
    """With one arrangement: every box stands still, and the picture is as clear as any other."""
    shape = steady_shape(drawn)
    told = some_suspects(drawn)
    check_picture(drawn, told, shape)
    pictures = [draw(drawn, shares, shape=shape) for shares in ({}, told)]
    places = [re.findall(r'data-part="(\w+)".*?translate\(([^)]*)\)', text) for text in pictures]
    assert len(places[0]) >= len(drawn.parts)
    assert places[0] == places[1]


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
    assert any(word.startswith(drawn.title) for word in words), words


def ends_of(part: Part, *, contacts: bool) -> set[str]:
    """Nets of the path that a box stands for."""
    roles = {
        ("relay", True): ("contact_in", "contact_out"),
        ("relay", False): ("coil_in", "coil_out"),
        ("controller", True): ("supply", "output", "ground"),
        ("controller", False): ("supply", "ground"),
    }.get((part.kind, contacts), tuple(part.terminals))
    return {part.terminals[role] for role in roles}


def nets_at(one: Machine, layout: Layout) -> dict[tuple[float, float], set[str]]:
    """Where wires can come to boxes: in the middle of a sign, above and below the box."""
    found: dict[tuple[float, float], set[str]] = {}
    for box in layout.boxes:
        nets = ends_of(one.parts[box.item.part], contacts=box.item.contacts)
        for y in (box.y, box.y + box.height):
            found.setdefault(_near((box.x + WIRE_X, y)), set()).update(nets)
    return found


def _near(point: tuple[float, float]) -> tuple[float, float]:
    return round(point[0], 3), round(point[1], 3)


def check_wires(one: Machine) -> None:
    """Every wire joins parts at their common net; by wires and names all hangs together."""
    layout = laid_out(one)
    at = nets_at(one, layout)
    for net, points in layout.wires:
        assert net in at[_near(points[0])]
        assert net in at[_near(points[-1])]
    for label in layout.labels:
        ways = [_near((label.x, label.y + up)) for up in (0.0, -9.0, 9.0, 18.0)]
        assert any(label.net in at.get(way, ()) for way in ways)
    named = {label.net for label in layout.labels}
    reached = {net for part in one.parts.values() for net in part.terminals.values()}
    inputs = {i.net for p in one.parts.values() for i in p.inputs}
    switched = {p.terminals["ground"] for p in one.parts.values() if p.kind == "controller"}
    assert named <= reached | inputs
    assert reached - switched <= named | inputs


def check_clear_ways(one: Machine) -> None:
    """Wires run beside boxes, not through them, and never along one another."""
    layout = laid_out(one)
    lines = pieces(layout)
    for box in layout.boxes:
        right, bottom = box.x + box.width - 2, box.y + box.height - 2
        inner = Area(box.x + 2, box.y + 2, right, bottom, "")
        assert not any(area.overlaps(inner) for area, _ in lines)
    for (a, start), (b, other) in combinations(lines, 2):
        if start != other and a.overlaps(b):
            upright = [area.right - area.left < 3 < area.bottom - area.top for area in (a, b)]
            assert upright[0] != upright[1], "wires of two nets run along one another"


def test_letters_are_seven_points_on_a4(drawn: Machine) -> None:
    for suspects in ({}, some_suspects(drawn)):
        root = ET.fromstring(draw(drawn, suspects))  # noqa: S314
        point = PRINTED_WIDTH / float(root.get("width", "0"))
        sizes = [float(text.get("font-size", "0")) for text in root.iter(f"{SVG}text")]
        assert min(sizes) * point >= LEAST_POINTS


@pytest.mark.parametrize("name", machine_names())
def test_no_title_is_cut(name: str) -> None:
    shipped = load_machine(name)
    for box in laid_out(shipped).boxes:
        part = shipped.parts[box.item.part]
        assert part.title in " ".join(box.lines).replace("\u00a0", " ")


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


@settings(max_examples=25, deadline=None)
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
    assert wrap("Wire under the floor", 90.0, 10.0, 3) == ["Wire under the", "floor"]
    assert wrap("Wire under the floor", 200.0, 10.0, 3) == ["Wire under the floor"]
    assert wrap("Wire, 21\u00a0mm\u00b2", 60.0, 10.0, 3) == ["Wire,", "21\u00a0mm\u00b2"]
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


def test_what_closes_a_loop_stands_by_itself_between_the_names_of_its_nets() -> None:
    loop = [
        battery(12.0, 0.1),
        line("one", "wire", "plus>far", 0.1, OPEN),
        line("two", "wire", "plus>far", 0.1, OPEN),
        line("load", "load", "far>minus", 4.0, OPEN),
    ]
    runs = make_runs(machine(loop, {"on": ()}))
    assert [[item.part for item in run.items] for run in runs.across] == [["two"]]
    assert (runs.across[0].starts_at, runs.across[0].ends_at) == ("plus", "far")
    drawing = draw(machine(loop, {"on": ()}))
    assert all(f'data-part="{name}"' in drawing for name in ("one", "two", "load", "battery"))


def test_plus_and_minus_joined_without_a_load_are_refused() -> None:
    joined = [battery(12.0, 0.1), line("one", "wire", "plus>minus", 0.1, OPEN)]
    with pytest.raises(CircuitError, match="joined without a load"):
        draw(machine(joined, {"on": ()}))
