"""What a machine is said to cost is what is then counted, before anything is solved."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.errors import MachineFileError
from diagnose.faults import base
from diagnose.faults.base import base_sets
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.priors import make_priors
from diagnose.machine import cost
from diagnose.machine.cost import cost_of
from diagnose.machine.load import load_machine, machine_names, read_machine
from tests.benchmarks.large_machine import example_of, large_machine

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

GUIDE = Path(__file__).parents[2] / "models" / "README.md"


def machines() -> list[Machine]:
    large = [read_machine(large_machine(example_of(GUIDE), branches)) for branches in (3, 20)]
    return [*map(load_machine, machine_names()), *large]


def test_the_copies_of_constants_are_equal() -> None:
    assert (cost.MOST_PAIRS, cost.MOST_WORK) == (base.MOST_PAIRS, base.MOST_WORK)


def test_counts_are_those_of_the_engine(larkfield: Machine) -> None:
    for machine in (*machines(), larkfield):
        behaviour = make_behaviour(machine)
        priors = make_priors(behaviour)
        counts = cost_of(machine).counts
        assert counts.faults == len(behaviour.faults)
        assert counts.rigs == len(behaviour.circuit.rigs.condition)
        assert counts.nets == len(behaviour.circuit.netlist.nets)
        assert counts.observables == len(behaviour.names)
        assert counts.causes == priors.n_free
        assert counts.sets == len(base_sets(behaviour, priors))


def test_what_was_measured_is_said_about_right() -> None:
    """Seconds and megabytes of first starts as measured; see the module for how."""
    for branches, seconds, megabytes in ((10, 1.24, 14), (30, 3.6, 21), (67, 3.08, 16)):
        counts = cost_of(read_machine(large_machine(example_of(GUIDE), branches))).counts
        assert counts.seconds - cost.START_SECONDS == pytest.approx(seconds, rel=0.3)
        assert counts.megabytes == pytest.approx(megabytes, rel=0.3)


def test_the_cause_that_makes_a_machine_dear_is_named(larkfield_text: str) -> None:
    raises = "[{parts: [lamp], modes: [open], factor: 1.1}]"
    nest = f"{{title: Nest, per_1000_jobs: 1, source: e, raises: {raises}}}"
    nests = "".join(f"  nest_{i}: {nest}\n" for i in range(12))
    silent = "".join(f"  s_{i}: {{title: S, says: {{cranks: [none]}}}}\n" for i in range(20))
    text = larkfield_text.replace("\nshared_causes:\n", f"\nshared_causes:\n{nests}")
    text = text.replace("\ncomplaints:\n", f"\ncomplaints:\n{silent}")
    known = cost_of(read_machine(text))
    assert (known.section, known.saved > 0.4) == ("shared_causes", True)
    assert not known.too_large
    more = silent + silent.replace("s_", "t_") + silent.replace("s_", "u_")
    with pytest.raises(MachineFileError) as caught:
        read_machine(text.replace(silent, more))
    (problem,) = caught.value.problems
    assert problem.rule == "too_large"
    assert text.splitlines()[problem.line - 1].startswith(f"  {known.name}:")
    assert "leave it out" in problem.message
