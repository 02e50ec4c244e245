"""Each rule of a machine file, broken once (`broken.py`): line, column, rule, remedy."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.errors import MachineFileError, Problem
from diagnose.machine.load import read_machine
from diagnose.machine.rules import RULES
from tests.machine.broken import ALL

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tests.machine.broken import Case

GOOD = (Path(__file__).parent / "larkfield.yaml").read_text("utf-8")
MARK = "@@"


def edited(edits: Mapping[str, str]) -> tuple[str, list[tuple[int, int]]]:
    """The good text with each old replaced by its new, and line and column of each `@@`."""
    text = GOOD
    for old, new in edits.items():
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    places = []
    while MARK in text:
        before, _, after = text.partition(MARK)
        places.append((before.count("\n") + 1, len(before) - before.rfind("\n")))
        text = before + after
    return text, places


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(MachineFileError) as caught:
        read_machine(text, "larkfield.yaml")
    return caught.value.problems


@pytest.mark.parametrize("broken", ALL, ids=lambda c: f"{c.rule}-{next(iter(c.edits))[:20]!r}")
def test_each_rule_names_place_and_remedy(broken: Case) -> None:
    text, places = edited(broken.edits)
    found = problems_of(text)
    assert sorted(p.rule for p in found) == sorted(broken.rules.split())
    problem = next(p for p in found if p.rule == broken.rule and (p.line, p.column) in places)
    for word in broken.words:
        assert word in problem.message


def test_every_rule_of_the_catalogue_is_broken_above() -> None:
    # `file_unreadable` is about bytes, not text: see test_load.py; `prior_nothing` takes every
    # prior of the file: see test_priors.py
    assert {c.rule for c in ALL} | {"file_unreadable", "prior_nothing"} == set(RULES)


def test_all_problems_come_at_once_sorted_by_place() -> None:
    rules = ["yaml_tag", "duplicate_key", "unit_missing", "id_pattern", "unknown_level"]
    rules += ["fuse_too_small", "relay_drop_out", "prior_sum", "area_cycle", "probes_same"]
    chosen = [next(c for c in ALL if c.rule == rule) for rule in rules]
    edits = {old: new for c in chosen for old, new in c.edits.items()}
    text, places = edited(edits)
    found = problems_of(text)
    assert sorted(p.rule for p in found) == sorted(r for c in chosen for r in c.rules.split())
    assert [(p.line, p.column) for p in found] == places


def test_the_error_reads_file_line_column_message_rule() -> None:
    text, [(line, column)] = edited({"kind: fuse\n": "kind: @@fues\n"})
    with pytest.raises(MachineFileError) as caught:
        read_machine(text, "barn.yaml")
    first = str(caught.value).splitlines()[0]
    assert first.startswith(f"barn.yaml:{line}:{column}: parts.main_fuse.kind: ")
    assert first.endswith("[wrong_choice]")


def test_the_good_file_has_no_problem() -> None:
    assert read_machine(GOOD).id == "barn_cart"
