"""Workloads shared by the referees, and how much was compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine, machine_names
from tests.circuit.every_part import every_part
from tests.circuit.meshed import meshed
from tests.circuit.workload import Workload

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.machine.model import Machine


MADE_UP = {"every_part": every_part, "meshed": meshed}


def _machine(name: str) -> Machine:
    return MADE_UP[name]() if name in MADE_UP else load_machine(name)


@pytest.fixture(scope="session", params=[*machine_names(), *MADE_UP])
def workload(request: pytest.FixtureRequest) -> Workload:
    """Every machine that is shipped, and two made-up ones."""
    return Workload(_machine(request.param))


@pytest.fixture(scope="module", params=[*machine_names(), *MADE_UP])
def drawn(request: pytest.FixtureRequest) -> Machine:
    """A machine to be drawn."""
    return _machine(request.param)


@pytest.fixture
def report(figures: Callable[[str, str], None]) -> Callable[[str, int, float | None], None]:
    """Note how many numbers were compared, and the largest difference among them."""

    def note(what: str, count: int, worst: float | None) -> None:
        told = "exact" if worst is None else f"worst {worst:.1e}"
        figures("circuit solver: numbers compared", f"{what:<46} {count:>10,}   {told}")

    return note
