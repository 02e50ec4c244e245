"""Settings come from the environment, and nothing is built before `create_app` is called."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from diagnose.api.settings import Settings
from pydantic import ValidationError


def test_the_environment_decides(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NOSTART_MACHINES", str(tmp_path))
    monkeypatch.setenv("NOSTART_MAX_BODY_BYTES", "2048")
    monkeypatch.setenv("NOSTART_DEAR_SLOTS", "3")
    found = Settings.from_environment()
    assert (found.machines, found.max_body_bytes, found.dear_slots) == (tmp_path, 2048, 3)
    untouched = Settings.model_fields["deadline_seconds"].default
    assert found.deadline_seconds == untouched


@pytest.mark.parametrize(
    ("name", "value"), [("max_body_bytes", 10), ("cheap_slots", 0), ("dear_slots", "two")]
)
def test_nonsense_is_refused(name: str, value: object) -> None:
    with pytest.raises(ValidationError):
        Settings(**{name: value})


@pytest.mark.parametrize(
    ("name", "value"),
    [("NOSTART_MACHINES", "/no/such/folder"), ("NOSTART_DEADLINE_SECONDS", "-1")],
)
def test_a_setting_that_cannot_be_stops_the_start_with_one_line(name: str, value: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "diagnose", "serve", "--port", "0"],
        env=os.environ | {name: value},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"diagnose: {name}: ")
    assert value in line
    assert done.stdout == ""


def test_the_readme_has_every_setting_with_its_default() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    for name, field in Settings.model_fields.items():
        given = field.default
        default = f"{given:,}".removesuffix(".0") if isinstance(given, int | float) else given or ""
        row = f"| `NOSTART_{name.upper()}` | {default} | {field.description} |"
        assert row in text


def test_importing_builds_nothing() -> None:
    code = (
        "import gc; from fastapi import FastAPI; import diagnose.api.app; "
        "print([one for one in gc.get_objects() if isinstance(one, FastAPI)])"
    )
    command = [sys.executable, "-c", code]
    found = subprocess.run(command, check=True, capture_output=True, text=True)
    assert found.stdout.strip() == "[]"
