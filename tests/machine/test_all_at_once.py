"""One fault does not hide another, and none is told twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.errors import MOST_SHOWN, MachineFileError
from diagnose.machine.load import read_machine

if TYPE_CHECKING:
    from diagnose.errors import Problem

SPARE_NET = {"\ncautions:": "\n  spare: a spare wire's end\ncautions:"}
JOINED = {
    "shared_causes:\n": "  bypass:\n    kind: connector\n    title: Bypass\n    from: stud_in\n"
    "    to: frame\n    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
    "shared_causes:\n"
}
UNKNOWN_NET = {"    from: key_out\n    to: lamp_in\n": "    from: key_out\n    to: lamp_inn\n"}
DEAD_END = {
    "  lamp_in: the lamp's plug\n": "  lamp_in: the lamp's plug\n  lamp_out: its other end\n",
    "    from: lamp_in\n    to: frame\n": "    from: lamp_in\n    to: lamp_out\n",
}
SMALL_FUSE = {"    amps: 20\n": "    amps: 5\n"}

SCHEMA_FAULTS = {
    "a length below zero": ("out_of_range", {"metres: 0.8": "metres: -1"}),
    "a misspelt key": ("unknown_key", {"cold_cranking_amps": "cold_craking_amps"}),
    "a misspelt kind": (
        "wrong_choice",
        {"    kind: ground\n    title: E": "    kind: grund\n    title: E"},
    ),
    "a title left out": ("missing_key", {"    title: Work lamp\n": ""}),
    "a number as text": ("number_as_text", {"    awg: 18\n": '    awg: "18"\n'}),
    "a bad prior": ("prior_too_high", {"per_1000_jobs: 180": "per_1000_jobs: 1800"}),
    "a bad area": (
        "negative_minutes",
        {"{title: Seat, open_minutes: 2": "{title: Seat, open_minutes: -2"},
    ),
    "a bad test": (
        "negative_minutes",
        {"minutes: 3\n    cautions: [cranking]": "minutes: -3\n    cautions: [cranking]"},
    ),
    "a comma": ("comma_in_text", {"No sparks near the battery.": "No sparks, near the battery."}),
}
WIRING_FAULTS = {
    "unused_net": SPARE_NET,
    "plus_minus_joined": JOINED,
    "fuse_too_small": SMALL_FUSE,
    "dead_end_net load_not_between": DEAD_END,
    "unknown_net": UNKNOWN_NET,
}


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(MachineFileError) as caught:
        read_machine(text, "larkfield.yaml")
    return caught.value.problems


def edited(text: str, *edits: dict[str, str]) -> str:
    for each in edits:
        for old, new in each.items():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
    return text


@pytest.mark.parametrize("wiring", WIRING_FAULTS)
@pytest.mark.parametrize("schema", SCHEMA_FAULTS)
def test_a_schema_fault_hides_no_wiring_fault(
    larkfield_text: str, schema: str, wiring: str
) -> None:
    rule, edits = SCHEMA_FAULTS[schema]
    alone = {problem.rule for problem in problems_of(edited(larkfield_text, WIRING_FAULTS[wiring]))}
    assert alone == set(wiring.split())
    text = edited(larkfield_text, edits, WIRING_FAULTS[wiring])
    found = problems_of(text)
    assert {problem.rule for problem in found} == {rule, *alone}
    assert [p.line for p in found] == sorted(p.line for p in found)


@pytest.mark.parametrize("schema", SCHEMA_FAULTS)
def test_a_schema_fault_alone_is_one_problem(larkfield_text: str, schema: str) -> None:
    rule, edits = SCHEMA_FAULTS[schema]
    assert [problem.rule for problem in problems_of(edited(larkfield_text, edits))] == [rule]


@pytest.mark.parametrize(
    "edits",
    [
        {"to: lamp_in": "to: lamp_inn"},
        {"  lamp_in: the lamp's plug\n": ""},
        {"to: button_out": "to: buton_out"},
    ],
)
def test_a_misspelt_net_is_no_dead_end_besides(larkfield_text: str, edits: dict[str, str]) -> None:
    found = problems_of(edited(larkfield_text, edits, SPARE_NET))
    assert {problem.rule for problem in found} == {"unknown_net", "unused_net"}


def test_at_most_so_many_lines_and_how_many_more(larkfield_text: str) -> None:
    nets = "".join(f"  spare_{i}: a spare end\n" for i in range(80))
    with pytest.raises(MachineFileError) as caught:
        read_machine(larkfield_text.replace("\nnets:\n", f"\nnets:\n{nets}"), "f.yaml")
    lines = str(caught.value).splitlines()
    assert len(caught.value.problems) == 80
    assert len(lines) == MOST_SHOWN + 1
    assert lines[-1] == "... and 30 more"
