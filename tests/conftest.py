"""One cache of compiled machines for the whole run, so that each machine is worked out once."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from diagnose.cache import DIRECTORY_VARIABLE

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session", autouse=True)
def shared_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Nothing is read from or left in the user's own cache."""
    before = os.environ.get(DIRECTORY_VARIABLE)
    os.environ[DIRECTORY_VARIABLE] = str(tmp_path_factory.mktemp("machines"))
    yield
    if before is None:
        del os.environ[DIRECTORY_VARIABLE]
    else:
        os.environ[DIRECTORY_VARIABLE] = before
