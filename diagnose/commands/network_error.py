"""How far an exported network is from the advice of the same machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.export.accuracy import Accuracy, EngineAnswer, measure_accuracy
from diagnose.job import Job

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.export.accuracy import Engine
    from diagnose.inference.families import Network
    from diagnose.machine.model import Machine


def engine_of(machine: Machine) -> Engine:
    """The advice on a machine, as the measure asks for it."""

    def ask(complaint: str, findings: Mapping[str, str]) -> EngineAnswer:
        job = Job.open(machine, complaint)
        for test, outcome in findings.items():
            job = job.record(test, outcome)
        advice = job.advise()
        return EngineAnswer(
            {(suspect.part, suspect.mode): suspect.probability for suspect in advice.suspects},
            {
                offered.test: {end.outcome: end.probability for end in offered.outcomes}
                for offered in advice.tests
            },
        )

    return ask


def measured(machine: Machine, network: Network, states: int) -> Accuracy | None:
    """The error over some states of simulated jobs; None for no states at all."""
    if not states:
        return None
    return measure_accuracy(network, list(machine.complaints), engine_of(machine), states)


def error_in_words(error: Accuracy | None) -> str:
    """What follows the number of nodes."""
    if error is None:
        return ""
    return (
        f"; probabilities of suspects off by less than {error.percentile_99:.3f} in 99 of 100 "
        f"states, by {error.largest:.3f} at worst of {error.states}"
    )
