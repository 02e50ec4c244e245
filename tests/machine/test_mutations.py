"""Whatever is broken in a machine file, the answer is a machine or a MachineFileError."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import MachineFileError
from diagnose.machine.archive import machine_from_json, machine_to_json
from diagnose.machine.document import read_document
from diagnose.machine.load import read_machine
from diagnose.machine.rules import RULES

if TYPE_CHECKING:
    import random

TEXT = (Path(__file__).parent / "larkfield.yaml").read_text("utf-8")
DATA = read_document(TEXT).data

ODD_VALUES: list[Any] = [None, True, -1, 0, 3.5, 1e300, "", "ok", "open", "frame", "7 V"]
ODD_VALUES += [[], {}, [1], {"a": 1}, [[]]]
ODD = st.sampled_from(ODD_VALUES)


def _containers(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [value, *(one for item in value.values() for one in _containers(item))]
    if isinstance(value, list):
        return [value, *(one for item in value for one in _containers(item))]
    return []


def _mutate(data: Any, pick: random.Random, odd: Any) -> None:
    """Delete, rename, replace or copy one random entry."""
    container = pick.choice([one for one in _containers(data) if one])
    keys = list(container) if isinstance(container, dict) else list(range(len(container)))
    key = pick.choice(keys)
    action = pick.choice(["delete", "rename", "replace", "swap"])
    if action == "delete":
        del container[key]
    elif action == "replace":
        container[key] = copy.deepcopy(odd)  # else a list may come to hold itself
    elif action == "swap":
        other = pick.choice(keys)
        container[key], container[other] = container[other], container[key]
    elif isinstance(container, dict):
        container[f"{key}x"] = container.pop(key)


def _answer(text: str) -> None:
    rules: set[str] = set()
    try:
        machine = read_machine(text)
    except MachineFileError as error:
        rules = {problem.rule for problem in error.problems} or {"none"}
    else:
        assert machine_from_json(machine_to_json(machine)) == machine
    assert rules <= set(RULES)


@given(st.randoms(use_true_random=False), st.lists(ODD, min_size=1, max_size=4))
@settings(deadline=None, max_examples=150)
def test_broken_entries_never_give_another_error(pick: random.Random, odd: list[Any]) -> None:
    data = copy.deepcopy(DATA)
    for one in odd:
        _mutate(data, pick, one)
    _answer(json.dumps(data))  # JSON of this kind is YAML


@given(st.integers(0, len(TEXT)), st.integers(0, 60), st.sampled_from(["", " ", "\n", ": ", "{"]))
@settings(deadline=None, max_examples=60)
def test_broken_text_never_gives_another_error(start: int, length: int, put: str) -> None:
    _answer(TEXT[:start] + put + TEXT[start + length :])
