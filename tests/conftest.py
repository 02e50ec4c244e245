"""One cache of compiled machines for the whole run, and the figures that tests report.

The tests run in several processes. All of them share the cache, in which a bundle is moved to its
place in one step. What a test reports goes with its result to the process that prints the summary.
"""

from __future__ import annotations

import os
from functools import cache
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# Two processes share two cores; see `diagnose.sums`. It counts only before numpy is imported, which
# is why this file imports nothing of the package at its head.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# How long an example takes says more of what else runs than of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

FIGURE = "figure"
"""Name of the property that holds one line of the summary."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests of one machine in one folder, or of one file, go to the same process.

    What they work out once (a circuit's referees, a network) is then worked out once in all.
    """
    for item in items:
        item.add_marker(pytest.mark.xdist_group(_group(item)))


def _group(item: pytest.Item) -> str:
    values = list(item.callspec.params.values()) if hasattr(item, "callspec") else []
    names = [getattr(value, "machine", value) for value in values]
    machine = next((name for name in names if isinstance(name, str) and name in _machines()), "")
    return f"{item.path.parent.name}-{machine}" if machine else f"{item.path}"


@cache
def _machines() -> tuple[str, ...]:
    from diagnose.machine.load import machine_names  # noqa: PLC0415

    return (*machine_names(), "every_part", "meshed")


@pytest.fixture(scope="session", autouse=True)
def shared_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Nothing is read from or left in the user's own cache."""
    from diagnose.cache import DIRECTORY_VARIABLE  # noqa: PLC0415

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


@pytest.fixture(scope="session", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No job of a test is kept in the user's own store."""
    from diagnose.store.places import STORE_VARIABLE  # noqa: PLC0415

    before = os.environ.get(STORE_VARIABLE)
    file = tmp_path_factory.mktemp("store") / "jobs.sqlite"
    os.environ[STORE_VARIABLE] = f"sqlite:///{file}"
    yield
    if before is None:
        del os.environ[STORE_VARIABLE]
    else:
        os.environ[STORE_VARIABLE] = before


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
