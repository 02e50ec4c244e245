"""One cache of compiled machines for the whole run, and the figures that tests report.

The tests run in several processes. All of them share the cache, in which a bundle is moved to its
place in one step. What a test reports goes with its result to the process that prints the summary.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from diagnose.cache import DIRECTORY_VARIABLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes share two cores; see sums.py

FIGURE = "figure"
"""Name of the property that holds one line of the summary."""


@pytest.fixture(scope="session", autouse=True)
def shared_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Nothing is read from or left in the user's own cache."""
    before = os.environ.get(DIRECTORY_VARIABLE)
    base = tmp_path_factory.getbasetemp()
    # A process of several has a folder of its own within that of the run.
    machines = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "machines"
    machines.mkdir(exist_ok=True)
    os.environ[DIRECTORY_VARIABLE] = str(machines)
    yield
    if before is None:
        del os.environ[DIRECTORY_VARIABLE]
    else:
        os.environ[DIRECTORY_VARIABLE] = before


@pytest.fixture
def figures(record_property: Callable[[str, object], None]) -> Callable[[str, str], None]:
    """Puts a line under a heading into the summary at the end of the run."""

    def note(heading: str, line: str) -> None:
        record_property(FIGURE, [heading, line])

    return note


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    told: dict[str, list[tuple[str, int, str]]] = {}
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, []):
            if report.when != "call":
                continue
            for place, (name, value) in enumerate(report.user_properties):
                if name == FIGURE:
                    heading, line = value
                    told.setdefault(heading, []).append((report.nodeid, place, line))
    for heading in sorted(told):
        terminalreporter.section(heading)
        for _, _, line in sorted(told[heading]):
            terminalreporter.write_line(line)
