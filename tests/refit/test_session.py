"""The README's session of the analyst runs, and the demonstration's refit is nearer the truth."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from diagnose.machine.load import load_machine
from tests.refit.larkfield import MACHINES, world_of

if TYPE_CHECKING:
    from diagnose.machine.overlay import Overlay

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


@pytest.fixture(scope="module")
def session() -> dict[str, Any]:
    text = README.partition("## For the analyst")[2]
    block = re.search(r"```python\n(.*?)```", text, re.DOTALL)
    assert block is not None
    names: dict[str, Any] = {}
    exec(compile(block[1], "README.md", "exec"), names)  # noqa: S102 - the README is ours
    return names


def test_the_session_gives_frames_and_advice_with_the_priors(session: dict[str, Any]) -> None:
    assert session["advice"].priors_version == session["priors"].version
    assert len(session["rates"]) > 100
    assert session["tables"].counts["orders"]["used"] > 330


def test_what_was_learnt_is_nearer_to_how_the_machines_are(session: dict[str, Any]) -> None:
    """The rates that the invented machines fail at, `world_of`, are nowhere in the tables."""
    machine, priors = load_machine(MACHINES[0]), session["priors"]
    truth = world_of(machine, 0)
    off = {name: _off(machine, truth, rates) for name, rates in
           (("learnt", priors), ("shipped", None))}  # fmt: skip
    assert off["learnt"] < 0.7 * off["shipped"]


def _off(machine: Any, truth: Any, priors: Overlay | None) -> float:
    """Mean distance of logarithms, weighted by the true rates; the common scale taken out."""
    names = [(part.id, mode) for part in machine.parts.values() for mode in list(part.modes)[1:]]
    true = np.array([truth.parts[part].modes[mode].per_1000_jobs for part, mode in names])
    said = np.array(
        [
            machine.parts[part].modes[mode].per_1000_jobs
            if priors is None
            else priors.rates[part, mode].per_1000_jobs
            for part, mode in names
        ]
    )
    ratio, weight = np.log(said / true), true / true.sum()
    return float(weight @ np.abs(ratio - weight @ ratio))
