"""What is fed in a condition, and what it draws, told from the file alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.errors import MachineFileError
from diagnose.machine.checks import check_text
from diagnose.machine.fuses import fed, nominal_amps
from diagnose.machine.load import read_machine

if TYPE_CHECKING:
    from diagnose.machine.fuses import Fed
    from diagnose.machine.schema import MachineFile

POSTS = ("batt_plus", "batt_minus")


def _file(text: str) -> MachineFile:
    file, problems = check_text(text)
    assert problems == ()
    assert file is not None
    return file


def _fed(file: MachineFile, condition: str, without: str = "") -> Fed:
    closes = file.conditions[condition].closes
    return fed(file.parts, closes, file.machine.nominal_volts, POSTS, without)


def test_nominal_currents_by_ohms_law(larkfield_text: str) -> None:
    assert nominal_amps(_file(larkfield_text).parts, 12.0) == pytest.approx(
        {"start_relay": 12 / 4, "starter_motor": 12 / 0.12, "start_module": 12 / 200, "lamp": 3.0}
    )


@pytest.mark.parametrize(
    ("condition", "plus"),
    [
        ("rest", {"batt_plus", "stud_in", "fused"}),
        ("key_on", {"batt_plus", "stud_in", "fused", "key_out", "lamp_in"}),
        (
            "start_held",
            {"batt_plus", "stud_in", "fused", "key_out", "lamp_in", "button_out", "module_out"}
            | {"coil_in", "stud_out", "starter_stud"},
        ),
    ],
)
def test_what_is_fed(larkfield_text: str, condition: str, plus: set[str]) -> None:
    found = _fed(_file(larkfield_text), condition)
    assert found.plus == plus
    assert found.minus == {"batt_minus", "frame", "block"}


def test_normally_closed_contacts_open_when_the_coil_is_fed(larkfield_text: str) -> None:
    text = larkfield_text.replace(
        "    coil_ohms: 4\n", "    coil_ohms: 4\n    contacts: normally_closed\n"
    )
    file = _file(text)
    assert "starter_stud" in _fed(file, "key_on").plus
    assert "starter_stud" not in _fed(file, "start_held").plus


def test_a_controller_waits_for_its_inputs(larkfield_text: str) -> None:
    text = larkfield_text.replace("minus, at_least_volts: 6}", "minus, below_volts: 6}")
    found = _fed(_file(text), "start_held")
    assert "button_out" in found.plus
    assert "module_out" not in found.plus


def test_a_part_taken_out_cuts_what_lies_behind(larkfield_text: str) -> None:
    found = _fed(_file(larkfield_text), "start_held", without="main_fuse")
    assert found.plus == {"batt_plus", "stud_in"}


@pytest.mark.parametrize(("amps", "fits"), [(6.05, False), (6.06, True), (7.5, True)])
def test_a_fuse_may_carry_exactly_its_rating(larkfield_text: str, amps: float, fits: bool) -> None:
    # behind the fuse while starting: lamp 3 A, coil 3 A, module 0.06 A
    text = larkfield_text.replace("    amps: 20\n", f"    amps: {amps}\n")
    if fits:
        assert read_machine(text).parts["main_fuse"].fuse_amps == amps
    else:
        with pytest.raises(MachineFileError, match=r"carries 6\.06 A in 'start_held'"):
            read_machine(text)


def test_a_fuse_on_the_minus_side_counts_what_returns_through_it(larkfield_text: str) -> None:
    text = larkfield_text.replace(
        "    from: lamp_in\n    to: frame\n", "    from: lamp_in\n    to: lamp_out\n"
    )
    text = text.replace("  frame: the frame\n", "  frame: the frame\n  lamp_out: lamp's return\n")
    fuse = (
        "  return_fuse:\n    kind: fuse\n    title: Return fuse\n    from: lamp_out\n"
        "    to: frame\n    amps: 2\n    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
    )
    with pytest.raises(MachineFileError) as caught:
        read_machine(text.replace("shared_causes:\n", f"{fuse}shared_causes:\n"))
    [problem] = caught.value.problems
    assert problem.rule == "fuse_too_small"
    assert "carries 3 A in 'key_on'" in problem.message
