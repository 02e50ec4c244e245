"""The mistakes a first file has, each with its own rule, line, column and words; `@@` is the place.

`test_rules.py` breaks every rule once; here the usual mistakes stand side by side, to see that no
two of them read alike.
"""

from __future__ import annotations

import pytest

from diagnose.errors import MachineFileError, Problem
from diagnose.machine.load import read_machine

MARK = "@@"
LAST_PART = "shared_causes:\n"
SECOND_CABLE = (
    "  second_cable:\n    kind: wire\n    title: Second cable\n    from: batt_plus\n"
    "    to: frame\n    awg: 4\n    metres: 1\n    source: estimate\n"
    "    modes: {open: {per_1000_jobs: 1}}\n"
)
SECOND_LAMP = (
    "  @@lamp:\n    kind: load\n    title: Rear lamp\n    from: lamp_in\n    to: frame\n"
    "    watts: 5\n    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
)
MISTAKES = {
    "plus and minus joined by a cable": (
        "plus_minus_joined",
        {"  battery:\n": "  @@battery:\n", LAST_PART: SECOND_CABLE + LAST_PART},
        "parts.battery: the plus and the minus post are joined by wiring alone, without a load",
    ),
    "a part on no net": (
        "part_without_net",
        {"  start_button:": "  @@start_button:", "    to: button_out\n": ""},
        "parts.start_button: `to` is missing; give the net that this terminal is joined to",
    ),
    "a part on a net that leads nowhere": (
        "dead_end_net",
        {"to: lamp_in": "to: @@lamp_in", "from: lamp_in": "from: key_out"},
        "the net 'lamp_in' is a dead end: only this terminal touches it",
    ),
    "two parts with one id": (
        "duplicate_key",
        {LAST_PART: SECOND_LAMP + LAST_PART},
        "'lamp'",
    ),
    "both probes on one net": (
        "probes_same",
        {"probes: {red: coil_in, black: frame}": "@@probes: {red: frame, black: frame}"},
        "both probes are on 'frame'; the test can tell nothing",
    ),
    "a prior above certainty": (
        "prior_too_high",
        {"per_1000_jobs: 180": "per_1000_jobs: @@1001"},
        "met 1001; it must be less than or equal to 1000",
    ),
    "priors that add up to more": (
        "prior_sum",
        {"modes:\n      low": "@@modes:\n      low", "jobs: 180": "jobs: 900"},
        "the priors sum to 1035 per 1000 jobs; expected at most 1000",
    ),
    "a fuse smaller than its load": (
        "fuse_too_small",
        {"    amps: 20": "    amps: @@5"},
        "rated 5 A but carries",
    ),
    "a number without its unit": (
        "unit_missing",
        {"{at_least_volts: 12.4}": "{@@volts: 12.4}"},
        "the key `volts` does not name its unit; write `at_least_volts`",
    ),
    "a unit written with the number": (
        "number_as_text",
        {"minutes: 30,": "minutes: @@30 min,"},
        "met the text '30 min'; expected a number of minutes, without quotes or unit",
    ),
}


def first_problem(text: str) -> Problem:
    with pytest.raises(MachineFileError) as caught:
        read_machine(text)
    return caught.value.problems[0]


def broken(good: str, name: str) -> tuple[str, tuple[int, int]]:
    """The file with one mistake in it, and the line and column where it stands."""
    for old, new in MISTAKES[name][1].items():
        assert good.count(old) == 1
        good = good.replace(old, new)
    before, _, after = good.partition(MARK)
    return before + after, (before.count("\n") + 1, len(before) - before.rfind("\n"))


@pytest.mark.parametrize("name", MISTAKES)
def test_the_mistake_is_named_at_its_place(larkfield_text: str, name: str) -> None:
    text, place = broken(larkfield_text, name)
    rule, _, words = MISTAKES[name]
    problem = first_problem(text)
    assert (problem.rule, problem.line, problem.column) == (rule, *place)
    assert words in problem.message


def test_no_two_mistakes_read_alike(larkfield_text: str) -> None:
    found = {name: first_problem(broken(larkfield_text, name)[0]) for name in MISTAKES}
    assert len({problem.rule for problem in found.values()}) == len(MISTAKES)
    assert len({problem.message for problem in found.values()}) == len(MISTAKES)


def test_probes_that_no_part_joins(larkfield_text: str) -> None:
    stray = (
        "  stray:\n    kind: connector\n    title: Stray\n    from: one\n    to: two\n"
        "    source: estimate\n    modes: {open: {per_1000_jobs: 1}}\n"
    )
    text = larkfield_text.replace(LAST_PART, stray + LAST_PART)
    text = text.replace("\ncautions:", "\n  one: one end\n  two: other end\ncautions:", 1)
    text = text.replace("probes: {red: coil_in", "probes: {red: one")
    with pytest.raises(MachineFileError) as caught:
        read_machine(text)
    (problem,) = [p for p in caught.value.problems if p.rule == "probes_unconnected"]
    assert text.splitlines()[problem.line - 1][problem.column - 1 :].startswith("probes: {red: one")
    assert "no parts join 'one' and 'frame'; the test can tell nothing" in problem.message
