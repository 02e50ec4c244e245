"""The test that is missing: by hand on a line of four, and on files with a test taken out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnose.machine.load import load_machine, machine_names
from diagnose.machine.model import Machine, Mode, Outcome, Repair
from diagnose.review.groups import find_groups
from diagnose.review.suggest import in_words, suggest
from diagnose.review.table import make_table
from tests.circuit.bench import battery, level_function, line, machine, mode, probe

NEW = Repair("replace", "Fit a new one", ("open",), 5.0, 1.0, (), "")


def open_by(per_1000: float) -> Mode:
    return replace(mode("open", open=True), per_1000_jobs=per_1000)


def line_of_four() -> Machine:
    """Battery, switch, wire and lamp in one line; it can only be seen that the lamp is out."""
    look = probe("look", "look", "on", function="lit")
    look = replace(look, outcomes=(Outcome("on", "on"), Outcome("off", "off")))
    parts = [
        battery(12.0, 0.01),
        line("switch", "switch", "plus>feed", 0.01, open_by(8.0)),
        line("wire", "wire", "feed>pin", 0.01, open_by(4.0)),
        line("lamp", "load", "pin>minus", 6.0, replace(open_by(4.0), at_best=1)),
    ]
    found = machine(
        [replace(part, repairs=(NEW,)) if part.id != "battery" else part for part in parts],
        {"off": (), "on": ("switch",)},
        [look],
        [level_function("lit", "lamp", "on", on=9.0, off=None)],
    )
    nets = {net: net for net in ("plus", "feed", "pin", "minus")}
    return replace(found, nets=nets)


def test_it_halves_a_line_where_the_priors_lie() -> None:
    """Half of the failures lie in the switch: one bit at its far side, less anywhere else."""
    known = line_of_four()
    table = make_table(known)
    found = suggest(table, find_groups(table, range(len(table.tests))))
    assert found is not None
    assert (found.red, found.black, found.condition) == ("feed", "minus", "on")
    assert found.bits == pytest.approx(1.0, abs=1e-6)
    (high, behind), (low, before) = found.tells
    assert high == pytest.approx(12.0, abs=0.1)
    assert low == pytest.approx(0.0, abs=1.3)  # a meter behind a break of damp insulation
    assert set(behind) == {("wire", "open"), ("lamp", "open")}
    assert set(before) == {("switch", "open")}
    assert "between feed and minus" in in_words(known, found)


@pytest.mark.parametrize("name", machine_names())
def test_on_a_machine_it_splits_a_group(name: str) -> None:
    table = make_table(load_machine(name))
    groups = find_groups(table, range(len(table.tests)))
    found = suggest(table, groups)
    if found is None:
        return
    faults = [fault for _, told in found.tells for fault in told]
    assert any(set(faults) == set(group.faults) for group in groups)
    assert len(found.tells) > 1
    assert found.bits > 0.0


def test_with_nothing_left_open_nothing_is_suggested() -> None:
    table = make_table(line_of_four())
    assert suggest(table, ()) is None
