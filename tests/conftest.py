"""What all tests share: a cache of machines for the whole run, and which tests run side by side."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from xdist.scheduler import LoadScopeScheduling

from diagnose.cache import DIRECTORY_VARIABLE
from diagnose.machine.load import machine_names
from tests.groups import group_of

if TYPE_CHECKING:
    from collections.abc import Iterator


class GroupScheduling(LoadScopeScheduling):
    """Tests that share something costly run in one process, one after the other."""

    def _split_scope(self, nodeid: str) -> str:
        return group_of(nodeid, [*machine_names(), "every_part"])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> GroupScheduling:
    return GroupScheduling(config, log)


@pytest.fixture(scope="session", autouse=True)
def shared_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Nothing is read from or left in the user's own cache; each machine is worked out once.

    Processes side by side share one: bundles are moved into their place in one step.
    """
    before = os.environ.get(DIRECTORY_VARIABLE)
    base = tmp_path_factory.getbasetemp()
    side_by_side = "PYTEST_XDIST_WORKER" in os.environ
    folder = (base.parent if side_by_side else base) / "machines"
    folder.mkdir(exist_ok=True)
    os.environ[DIRECTORY_VARIABLE] = str(folder)
    yield
    if before is None:
        del os.environ[DIRECTORY_VARIABLE]
    else:
        os.environ[DIRECTORY_VARIABLE] = before
