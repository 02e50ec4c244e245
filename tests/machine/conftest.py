"""The small machine that the tests of machine files share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import read_machine

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


@pytest.fixture(scope="session")
def larkfield_text() -> str:
    return (Path(__file__).parent / "larkfield.yaml").read_text("utf-8")


@pytest.fixture(scope="session")
def larkfield(larkfield_text: str) -> Machine:
    return read_machine(larkfield_text, "larkfield.yaml")
