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

from diagnose.circuit.drawing import PRINTED_WIDTH, draw, luminance, page_wanted, percent, shade
from diagnose.circuit.layout import WIRE_X, Layout, make_layout
from diagnose.circuit.lettering import wrap
from diagnose.circuit.marks import Mark
from diagnose.circuit.symbols import BY_WORD, SYMBOLS, symbol_name
from diagnose.errors import CircuitError, UnknownNameError, ValueOutOfRangeError
from diagnose.machine.load import load_machine, machine_names
from tests.circuit.bench import battery, line, machine, mode, relay
from tests.circuit.every_part import every_part

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Part, PartKind

SVG = "{http://www.w3.org/2000/svg}"

LEAST_POINTS = 7.0
"""Letters on a page that is read at arm's length. Common practice, no source."""

OPEN = mode("open", open=True)


@pytest.fixture(scope="module", params=[*machine_names(), "every_part"])
def drawn(request: pytest.FixtureRequest) -> Machine:
    return every_part() if request.param == "every_part" else load_machine(request.param)


def laid_out(one: Machine) -> Layout:
    return make_layout(one, {}, page_wanted)


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
    """0.62 em a letter: from memory, the broadest of the common sans fonts has means of 0.6."""
    return 0.62 * size * len(text)


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
        width = float(element.get("textLength", text_width(text, size)))
        at = x + float(element.get("x", "0"))
        at -= {"start": 0.0, "middle": width / 2.0, "end": width}[
            element.get("text-anchor", "start")
        ]
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
    found = []
    if part:
        box = element.find(f"{SVG}rect")
        assert box is not None
        right, bottom = x + float(box.get("width", "")), y + float(box.get("height", ""))
        found.append(Area(x, y, right, bottom, part))
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
    assert any(word.startswith(drawn.title) for word in words)


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


def pieces(layout: Layout) -> list[tuple[Area, str]]:
    """Straight pieces of wire, a little thick, each with its net."""
    found = []
    for net, wire in layout.wires:
        for (x1, y1), (x2, y2) in pairwise(wire):
            assert x1 == x2 or y1 == y2  # orthogonal
            area = Area(min(x1, x2) - 1, min(y1, y2) - 1, max(x1, x2) + 1, max(y1, y2) + 1, "")
            found.append((area, net))
    return found


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


def groups(one: Machine, **marked: object) -> list[ET.Element]:
    root = ET.fromstring(draw(one, **marked))  # type: ignore[arg-type]  # noqa: S314
    return list(root.iter(f"{SVG}g"))


def test_every_part_appears_once_with_its_sign(drawn: Machine) -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(drawn) if g.get("data-part")]
    contacts = {"make_contact", "break_contact", "output"}
    bodies = [part for part, sign in shown if sign not in contacts]
    assert sorted(filter(None, bodies)) == sorted(drawn.parts)
    switched = sorted(part for part, sign in shown if part and sign in contacts)
    gated = [p.id for p in drawn.parts.values() if p.kind in {"relay", "controller"}]
    assert switched == sorted(gated)
    for box in laid_out(drawn).boxes:
        part = drawn.parts[box.item.part]
        assert (part.id, symbol_name(part, box.item)) in shown


# By title; IEC 60617 and the trade, from memory.
SIGNS = {
    ("utility_vehicle", "headlamp"): "lamp",
    ("utility_vehicle", "fuel_pump"): "motor",
    ("utility_vehicle", "start_button"): "button",
    ("utility_vehicle", "display"): "box",
    ("utility_vehicle", "pump_plug"): "connector",
    ("utility_vehicle", "plus_post"): "terminal",
    ("utility_vehicle", "plus_cable"): "cable",
    ("utility_vehicle", "trigger_wire"): "wire",
    ("utility_vehicle", "rectifier"): "diode",
    ("utility_vehicle", "starter_motor"): "motor",
    ("compact_tractor", "glow_plug_2"): "heater",
    ("compact_tractor", "volt_gauge"): "meter",
    ("compact_tractor", "fuel_solenoid"): "coil",
    ("compact_tractor", "alternator"): "generator",
    ("zero_turn_mower", "magneto"): "magneto",
    ("zero_turn_mower", "plug_gap"): "gap",
    ("zero_turn_mower", "front_plug"): "spark",
    ("zero_turn_mower", "hour_meter"): "hours",
    ("zero_turn_mower", "kill_diodes"): "diode",
    ("zero_turn_mower", "run_fuse"): "fuse",
    ("standby_pump", "start_output"): "controller",
    ("standby_pump", "maintainer"): "charger",
    ("standby_pump", "shutdown_relay"): "relay",
    ("standby_pump", "frame_ground"): "ground",
}


@pytest.mark.parametrize("name", machine_names())
def test_signs_are_those_of_the_trade(name: str) -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(load_machine(name))]
    for (where, part), sign in SIGNS.items():
        if where == name:
            assert (part, sign) in shown


def test_signs_differ_and_every_word_has_one() -> None:
    assert len(set(SYMBOLS.values())) == len(SYMBOLS)
    assert {sign for words in BY_WORD.values() for _, sign in words} <= set(SYMBOLS)


def test_a_resting_contact_is_drawn_closed() -> None:
    shown = [(g.get("data-part"), g.get("data-sign")) for g in groups(load_machine("standby_pump"))]
    assert ("shutdown_relay", "break_contact") in shown
    assert ("start_relay", "make_contact") in shown


def test_a_kill_line_stands_apart_from_magneto_to_ground() -> None:
    # The mower's file: two relays, closed at rest, ground the magneto through the kill diodes.
    mower = load_machine("zero_turn_mower")
    layout = laid_out(mower)
    assert len(layout.headings) == 1
    heading = layout.headings[0]
    below = [b for b in layout.boxes if b.x == heading.x and b.y > heading.y]
    assert min(below, key=lambda box: box.y).item.part == "magneto"
    at = {box.item.part: box for box in layout.boxes if box.item.contacts or not box.item.gap}
    line_ = ["magneto_lead", "kill_diodes", "kill_wire"]
    assert [at[part].y for part in line_] == sorted(at[part].y for part in line_)
    words = [area.what for area in texts(ET.fromstring(draw(mower)))]  # noqa: S314
    assert "KILL LINE" in words
    assert "KILL LINE" not in draw(load_machine("utility_vehicle"))


def test_probes_are_marked_on_their_nets(drawn: Machine) -> None:
    named = {label.net for label in laid_out(drawn).labels}
    assert all(set(t.probes) <= named for t in drawn.tests.values() if t.probes is not None)
    for test in list(drawn.tests.values())[::12]:
        marks = {
            g.get("data-probe"): g.get("data-net")
            for g in groups(drawn, test=test)
            if g.get("data-probe")
        }
        if test.probes is None:
            assert not marks
        else:
            assert (marks["red"], marks["black"]) == test.probes


def test_a_probe_lies_on_the_wire_of_its_net() -> None:
    vehicle = load_machine("utility_vehicle")
    test = next(t for t in vehicle.tests.values() if t.probes and "relay_trigger" in t.probes)
    layout = laid_out(vehicle)
    marked = [g for g in groups(vehicle, test=test) if g.get("class") == "net"]
    marked = [g for g in marked if g.find(f"{SVG}g[@data-probe]") is not None]
    assert {group.get("data-net") for group in marked} == set(test.probes or ())
    for group in marked:
        x, y = shift(group)
        own = [area for area, net in pieces(layout) if net == group.get("data-net")]
        ends = [label for label in layout.labels if (label.x, label.y) == (x, y) and label.sign]
        on = [area for area in own if area.left < x < area.right and area.top < y < area.bottom]
        assert ends or on


def test_parts_of_a_test_without_probes_are_framed() -> None:
    vehicle = load_machine("utility_vehicle")
    test = next(t for t in vehicle.tests.values() if t.parts and t.probes is None)
    framed = {
        g.get("data-part") for g in groups(vehicle, test=test) if "at" in g.get("class", "").split()
    }
    assert framed == set(test.parts)


def test_steps_of_a_card_are_marked_and_touch_nothing(drawn: Machine) -> None:
    nets = list(dict.fromkeys(label.net for label in laid_out(drawn).labels))[:12]
    steps = [Mark(net, "step", str(number)) for number, net in enumerate(nets * 2, 1)]
    shown = groups(drawn, steps=steps)
    assert [g.get("data-step") for g in shown if g.get("data-step")].__len__() == len(steps)
    words = texts(ET.fromstring(draw(drawn, steps=steps)))  # noqa: S314
    assert not [(a.what, b.what) for a, b in combinations(words, 2) if a.overlaps(b)]


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


def test_a_loop_is_refused() -> None:
    loop = [
        battery(12.0, 0.1),
        line("one", "wire", "plus>far", 0.1, OPEN),
        line("two", "wire", "plus>far", 0.1, OPEN),
        line("load", "load", "far>minus", 4.0, OPEN),
    ]
    with pytest.raises(CircuitError, match="form a loop"):
        draw(machine(loop, {"on": ()}))
