"""Workloads shared by the referees, and the table of what was compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine, machine_names
from tests.circuit.every_part import every_part
from tests.circuit.workload import Workload

if TYPE_CHECKING:
    from collections.abc import Callable

COMPARED = pytest.StashKey[list[str]]()


@pytest.fixture(scope="session", params=[*machine_names(), "every_part"])
def workload(request: pytest.FixtureRequest) -> Workload:
    """Every machine that is shipped, and a made-up one with every kind of part."""
    name = request.param
    return Workload(every_part() if name == "every_part" else load_machine(name))


@pytest.fixture(scope="session")
def report(pytestconfig: pytest.Config) -> Callable[[str, int, float | None], None]:
    """Note how many numbers were compared, and the largest difference among them."""
    lines = pytestconfig.stash.setdefault(COMPARED, [])

    def note(what: str, count: int, worst: float | None) -> None:
        told = "exact" if worst is None else f"worst {worst:.1e}"
        lines.append(f"{what:<46} {count:>10,}   {told}")

    return note


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    lines = config.stash.get(COMPARED, [])
    if lines:
        terminalreporter.section("circuit solver: numbers compared")
        for line in lines:
            terminalreporter.write_line(line)
