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


SPARE = "    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
LAST_PART = "shared_causes:\n"


def _with(text: str, *parts: str, nets: str = "") -> str:
    text = text.replace("\ncautions:", f"\n{nets}cautions:", 1)
    return text.replace(LAST_PART, "".join(parts) + LAST_PART, 1)


def _two_ended(name: str, kind: str, ends: str, more: str = "") -> str:
    near, far = ends.split(">")
    title = name.replace("_", " ").capitalize()
    lines = (f"kind: {kind}", f"title: {title}", f"from: {near}", f"to: {far}", more)
    return f"  {name}:\n" + "".join(f"    {line}\n" for line in lines if line) + SPARE


LOOPS = {
    "a second ground": _two_ended("second_ground", "ground", "block>batt_minus"),
    "a switch beside another": _two_ended("spare_key", "switch", "fused>key_out"),
    "a cable beside another": _two_ended(
        "second_cable", "wire", "batt_plus>stud_in", "mm2: 16\n    metres: 1"
    ),
    "a fuse beside another": _two_ended("second_fuse", "fuse", "stud_in>fused", "amps: 10"),
    "a diode across a coil": _two_ended("kick", "diode", "frame>coil_in"),
    "a wire that chafes on its neighbour": _two_ended(
        "neighbour", "wire", "key_out>lamp_in", "mm2: 1\n    metres: 1\n    shorts_to: coil_in"
    ),
}


@pytest.mark.parametrize("parts", LOOPS.values(), ids=LOOPS)
def test_wiring_may_close_loops(larkfield_text: str, parts: str) -> None:
    name = parts.split(":", maxsplit=1)[0].strip()
    assert name in read_machine(_with(larkfield_text, parts)).parts


def test_a_changeover_turns_a_motor_either_way(larkfield_text: str) -> None:
    relays = "".join(
        f"  relay_{way}:\n    kind: relay\n    title: Tilt relay\n    coil_in: coil_in\n"
        f"    coil_out: frame\n    contact_in: stud_in\n    contact_out: side_{way}\n"
        "    source: estimate\n    modes: {coil_open: {per_1000_jobs: 1}}\n"
        f"  rest_{way}:\n    kind: contacts\n    title: Tilt relay at rest\n    from: side_{way}\n"
        f"    to: frame\n    relay: relay_{way}\n    contacts: normally_closed\n"
        "    source: estimate\n    modes: {contacts_open: {per_1000_jobs: 1}}\n"
        for way in ("up", "down")
    )
    motor = _two_ended("tilt_motor", "motor", "side_up>side_down", "amps: 20")
    nets = "  side_up: one side of the tilt motor\n  side_down: its other side\n"
    machine = read_machine(_with(larkfield_text, relays, motor, nets=nets))
    assert machine.parts["rest_up"].relay == "relay_up"
    assert machine.parts["rest_up"].normally_closed


def test_contacts_belong_to_a_relay(larkfield_text: str) -> None:
    parts = _two_ended("more", "contacts", "stud_in>coil_in", "relay: start_relai").replace(
        "open:", "contacts_open:"
    )
    with pytest.raises(MachineFileError, match="start_relay"):
        read_machine(_with(larkfield_text, parts))


def test_batteries_in_line_and_a_load_at_their_tap(larkfield_text: str) -> None:
    pack = (
        "  lower:\n    kind: battery\n    title: Lower battery\n    plus: batt_minus\n"
        f"    minus: pack_minus\n{SPARE}"
    )
    lamp = _two_ended("tap_lamp", "load", "batt_minus>pack_minus", "watts: 5")
    text = larkfield_text.replace("to: batt_minus", "to: pack_minus", 1)
    nets = "  pack_minus: the pack's minus post\n"
    pack = pack.replace("    source", "    nominal_volts: 6\n    source", 1)
    machine = read_machine(_with(text, pack, lamp, nets=nets))
    assert machine.parts["lower"].emf_volts == pytest.approx(12.65 / 2)
    assert [p.id for p in machine.parts.values() if p.kind == "battery"] == ["battery", "lower"]


def test_a_battery_beside_another(larkfield_text: str) -> None:
    beside = (
        "  spare:\n    kind: battery\n    title: Spare battery\n    plus: stud_in\n"
        f"    minus: frame\n{SPARE}"
    )
    assert "spare" in read_machine(_with(larkfield_text, beside)).parts
