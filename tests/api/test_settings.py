"""Settings come from the environment, and nothing is built before `create_app` is called."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from diagnose.api.settings import Settings
from pydantic import ValidationError

if TYPE_CHECKING:
    from pathlib import Path


def test_the_environment_decides(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NOSTART_MACHINES", str(tmp_path))
    monkeypatch.setenv("NOSTART_MAX_BODY_BYTES", "2048")
    monkeypatch.setenv("NOSTART_MAX_CONCURRENCY", "3")
    assert Settings().model_dump() == {
        "machines": tmp_path,
        "max_body_bytes": 2048,
        "max_concurrency": 3,
    }


@pytest.mark.parametrize(
    ("name", "value"), [("max_body_bytes", 10), ("max_concurrency", 0), ("max_concurrency", "two")]
)
def test_nonsense_is_refused(name: str, value: object) -> None:
    with pytest.raises(ValidationError):
        Settings(**{name: value})


def test_importing_builds_nothing() -> None:
    code = (
        "import gc; from fastapi import FastAPI; import diagnose.api.app; "
        "print([one for one in gc.get_objects() if isinstance(one, FastAPI)])"
    )
    command = [sys.executable, "-c", code]
    found = subprocess.run(command, check=True, capture_output=True, text=True)
    assert found.stdout.strip() == "[]"
