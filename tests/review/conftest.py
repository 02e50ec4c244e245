"""Machines whose reviews are worked out by hand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def bench_lamp_path() -> Path:
    return HERE / "bench_lamp.yaml"


@pytest.fixture(scope="session")
def bench_lamp(bench_lamp_path: Path) -> Machine:
    return load_machine(bench_lamp_path)


@pytest.fixture(scope="session")
def larkfield() -> Machine:
    return load_machine(HERE.parent / "machine" / "larkfield.yaml")
