"""The wall card: sound as a picture, and every number on it the engine's."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from diagnose.ahead.policy_tree import GoOn, RepairLeaf, TreeStep, leaves, steps
from diagnose.commands.card import LEVELS
from diagnose.commands.card_sheet import HEIGHT, MARGIN, WIDTH, fitting_card
from diagnose.commands.letters import in_lines, printed_width
from diagnose.job import prepare
from diagnose.machine.load import load_machine
from diagnose.paper import words
from diagnose.paper.words import share_words
from tests.commands.carts import CART

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.rule.prepared import Prepared
    from tests.commands.conftest import Ran

SVG = "{http://www.w3.org/2000/svg}"
COMPLAINTS = list(load_machine(CART).complaints)


def cart_prepared() -> Prepared:
    return prepare(CART)


@cache
def picture(complaint: str, levels: int = 4) -> str:
    return fitting_card(cart_prepared(), complaint, levels)[1]


@cache
def tree_of(complaint: str, levels: int = 4):
    return fitting_card(cart_prepared(), complaint, levels)[0].tree


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own output


def lines(svg: str) -> list[tuple[float, float, float, float, str]]:
    """x, base line y, width and size of every line of text, and the text."""
    found = []
    for group in parsed(svg).iter(f"{SVG}g"):
        moved = re.fullmatch(r"translate\((\S+) (\S+)\)", group.get("transform", ""))
        assert moved is not None
        left, top = float(moved[1]), float(moved[2])
        for one in group.iter(f"{SVG}text"):
            if one.get("text-anchor") is None:
                x, y = left + float(one.get("x", "")), top + float(one.get("y", ""))
                sizes = float(one.get("textLength", "")), float(one.get("font-size", ""))
                found.append((x, y, *sizes, one.text or ""))
    return found


def told(svg: str) -> str:
    return " ".join(text for *_, text in lines(svg)).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("levels", [1, 4, 9])
@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_it_is_one_a4_sheet_with_nothing_outside_or_on_top(complaint: str, levels: int) -> None:
    check_sheet(picture(complaint, levels))


@pytest.mark.parametrize("complaint", list(load_machine("utility_vehicle").complaints))
def test_so_are_those_of_a_shipped_machine(complaint: str) -> None:
    shipped = prepare("utility_vehicle")
    check_sheet(fitting_card(shipped, complaint, 5)[1])


def check_sheet(svg: str) -> None:
    root = parsed(svg)
    # ISO 216: A4 is 210 mm by 297 mm.
    assert (root.get("width"), root.get("height")) == ("210mm", "297mm")
    set_lines = lines(svg)
    for x, y, width, size, _ in set_lines:
        assert size >= 9.0
        assert x >= MARGIN - 1e-6
        assert y - size >= MARGIN - 8.0
        assert x + width <= WIDTH - MARGIN + 0.5
        assert y + 0.25 * size <= HEIGHT - MARGIN + 2.0
    for number, (x, y, width, size, _) in enumerate(set_lines):
        for x2, y2, width2, size2, _ in set_lines[number + 1 :]:
            apart = x + width <= x2 + 0.5 or x2 + width2 <= x + 0.5
            below = y <= y2 - 0.95 * size2 or y2 <= y - 0.95 * size
            assert apart or below


@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_every_number_is_the_engines(complaint: str) -> None:
    tree, costs, machine = tree_of(complaint), cart_prepared().costs, cart_prepared().machine
    text = told(picture(complaint))
    assert f"{share_words(tree.covered)} of jobs come to a repair" in text
    assert f"{share_words(tree.fixed)} end with it" in text
    assert f"version {machine.version}, file {machine.content_hash[:10]}" in text.lower()
    for step in steps(tree.root):
        test = machine.tests[costs.tests.names[step.test]]
        assert f"{test.title} ({share_words(step.share)})" in text
        assert words.minutes_words(step.minutes) in text
        if test.unit is not None:
            behaviour = cart_prepared().behaviour
            good = behaviour.readings([()])[0, behaviour.column_of(test), 0]
            assert f"Good: {words.reading_words(float(good), test.unit)}" in text
        for branch in step.branches:
            seen = "; ".join(test.outcomes[one].title for one in branch.outcomes)
            if not isinstance(branch.then, GoOn):  # what is not listed: go on with the tool
                assert f"{seen}: {share_words(branch.share)}" in text
    for leaf in leaves(tree.root):
        if isinstance(leaf, RepairLeaf):
            found = words.repair_of(machine, costs.repairs.names[leaf.repair])
            assert found is not None
            ends = share_words(leaf.fixed / leaf.share)
            assert f"{found[1].title}: ends {ends} of these." in text


@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_steps_lead_to_steps_that_are_there(complaint: str) -> None:
    numbers = {n for n in re.findall(r"step (\d+)", told(picture(complaint))) if n != "1"}
    count = len(list(steps(tree_of(complaint).root)))
    assert numbers == {str(n) for n in range(2, count + 1)}


@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_every_caution_of_what_is_on_it_stands_at_the_foot(complaint: str) -> None:
    tree, costs, machine = tree_of(complaint), cart_prepared().costs, cart_prepared().machine
    text = told(picture(complaint))
    named = set()
    for step in steps(tree.root):
        named |= set(machine.tests[costs.tests.names[step.test]].cautions)
        for branch in step.branches:
            if isinstance(branch.then, RepairLeaf):
                found = words.repair_of(machine, costs.repairs.names[branch.then.repair])
                assert found is not None
                named |= set(found[1].cautions)
    for name in named:
        assert " ".join(machine.cautions[name].text.split()) in text
    mind = {
        letter for found in re.findall(r"Mind ([A-Z, ]+)\.", text) for letter in found.split(", ")
    }
    assert len(mind) == len(named)


def test_the_first_step_is_what_a_trial_would_do_first() -> None:
    root = tree_of("silent").root
    assert isinstance(root, TreeStep)
    assert root.share == 1.0


def test_the_command_writes_the_same_sheet_every_time(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    files = [tmp_path / name for name in ("one.svg", "two.svg")]
    for file in files:
        assert call("card", cart, "-c", "silent", "--svg", str(file)).code == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert parsed(files[0].read_text("utf-8")).tag == f"{SVG}svg"
    assert not re.search(r"20\d\d-\d\d", files[0].read_text("utf-8"))


def test_figures_as_json(call: Callable[..., Ran], cart: str, tmp_path: Path) -> None:
    file = tmp_path / "card.svg"
    found = call("card", cart, "-c", "silent", "--svg", str(file), "--jobs", "50", "--json").json
    tree = tree_of("silent", LEVELS)
    assert found["covered"] == pytest.approx(tree.covered)
    assert found["fixed"] == pytest.approx(tree.fixed)
    assert found["steps"] == len(list(steps(tree.root)))
    assert found["file"] == str(file)
    assert found["jobs"] == 50
    assert 0.0 <= found["fixed_of_jobs"] <= found["covered_of_jobs"] <= 1.0


@pytest.mark.parametrize(
    ("words_", "code"),
    [
        (("-c", "silent"), 2),
        (("-c", "silent", "--svg", "a.svg", "--html", "a.html"), 2),
        (("--svg", "a.svg"), 2),
        (("-c", "deaf", "--svg", "a.svg"), 3),
        (("-c", "silent", "--levels", "0", "--svg", "a.svg"), 2),
    ],
)
def test_what_cannot_be_read_is_refused(
    call: Callable[..., Ran], cart: str, words_: tuple[str, ...], code: int
) -> None:
    ran = call("card", cart, *words_)
    assert ran.code == code
    assert len(ran.errors) == 1
    assert not Path("a.svg").exists()


def test_widths_of_letters() -> None:
    # Adobe Font Metrics of Helvetica and Helvetica-Bold, widths in thousandths, from memory.
    assert printed_width("W", 10.0) == pytest.approx(9.44)
    assert printed_width("illi", 1000.0) == pytest.approx(4 * 222)
    assert printed_width("m", 1000.0, bold=True) == pytest.approx(889)
    assert in_lines("12\N{NO-BREAK SPACE}V at the coil", 40.0, 10.0) == [
        "12\N{NO-BREAK SPACE}V at",
        "the coil",
    ]
