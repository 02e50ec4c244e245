"""What the README shows is what happens: its commands, its HTTP call, its lines of Python."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from diagnose.api.app import create_app
from fastapi.testclient import TestClient

README = (Path(__file__).parents[1] / "README.md").read_text()


def commands() -> list[list[str]]:
    block = README.partition("## At the terminal")[2].partition("##")[0]
    return [
        shlex.split(line)[1:] for line in re.findall(r"^    (diagnose .*)$", block, re.MULTILINE)
    ]


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_each_command_line_works(words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "diagnose", *words],
        input="quit\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    assert "Traceback" not in done.stderr


def test_the_http_call_gives_the_object_described() -> None:
    body = re.search(r"curl .*?-d '(.*?)'", README, re.DOTALL)
    assert body is not None
    with TestClient(create_app()) as client:
        answer = client.post("/v1/advice", json=json.loads(body[1]))
    assert answer.status_code == 200, answer.text
    found = answer.json()
    assert [one["test"] for one in found["findings"]] == ["battery_rest", "listen_pump"]
    assert found["verdict"]["action"] in {"test", "repair", "recheck", "escalate"}
    assert found["suspects"][0]["probability"] >= found["suspects"][-1]["probability"]


def test_the_lines_of_python_run(capsys: pytest.CaptureFixture[str]) -> None:
    block = re.search(r"```python\n(.*?)```", README, re.DOTALL)
    assert block is not None
    exec(compile(block[1], "README.md", "exec"), {})  # noqa: S102 - the README is ours
    assert "bits_per_minute" in capsys.readouterr().out


def test_the_two_commands_are_what_the_check_script_runs() -> None:
    script = (Path(__file__).parents[1] / ".ci" / "run").read_text()
    assert ".venv/bin/pip install -e '.[test]' && .venv/bin/pytest" in README
    assert "README names no test command" in script
