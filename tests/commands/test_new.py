"""Starting a machine file, and what `check` says of it and of others."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from diagnose.machine.load import load_machine, machine_names

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.commands.conftest import Ran


def without_sources(value: Any) -> Any:
    """A machine as plain data, without what a new file says otherwise."""
    if is_dataclass(value) and not isinstance(value, type):
        left = [f.name for f in fields(value) if f.name not in ("source", "content_hash")]
        return {name: without_sources(getattr(value, name)) for name in left}
    if isinstance(value, tuple):
        return [without_sources(item) for item in value]
    return {k: without_sources(v) for k, v in value.items()} if hasattr(value, "items") else value


@pytest.mark.parametrize("like", machine_names())
def test_a_new_file_is_the_other_machine_under_its_own_name(
    call: Callable[..., Ran], tmp_path: Path, like: str
) -> None:
    file = tmp_path / "Hay loader 2.yaml"
    told = call("new", str(file), "--like", like, "--json").json
    assert told == {"file": str(file), "id": "hay_loader_2", "like": like}
    assert call("check", str(file)).code == 0
    made, known = load_machine(file), load_machine(like)
    new, old = without_sources(made), without_sources(known)
    for name in ("id", "title", "version", "notes"):
        new.pop(name, None)
        old.pop(name, None)
    assert new == old
    assert (made.id, made.title) == ("hay_loader_2", "Hay loader 2")
    copied = f"estimate (copied from {like})"
    assert {mode.source for part in made.parts.values() for mode in part.modes.values()} == {copied}
    assert made.shop.source == known.shop.source
    assert {c.source for c in made.cautions.values()} == {c.source for c in known.cautions.values()}


def test_the_file_says_what_to_write_next(call: Callable[..., Ran], tmp_path: Path) -> None:
    file = tmp_path / "loader.yaml"
    assert call("new", str(file), "--like", "standby_pump").code == 0
    lines = file.read_text("utf-8").splitlines()
    assert lines[0].startswith("# Loader: a machine file started from standby_pump")
    for number, line in enumerate(lines):
        if re.fullmatch(r"[a-z_]+:", line):
            assert lines[number - 1].startswith("# "), line
    assert all(line == line.rstrip() for line in lines)


def test_a_file_that_is_there_stays(call: Callable[..., Ran], tmp_path: Path) -> None:
    file = tmp_path / "loader.yaml"
    file.write_text("mine", "utf-8")
    ran = call("new", str(file), "--like", "standby_pump")
    assert ran.code == 2
    assert "there already" in ran.err
    assert file.read_text("utf-8") == "mine"


@pytest.mark.parametrize(
    ("name", "like", "code", "said"),
    [
        ("a.yaml", "standby_pmup", 3, "nearest is 'standby_pump'"),
        ("a.txt", "standby_pump", 2, "does not end in .yaml"),
        ("12.yaml", "standby_pump", 2, "a letter"),
        ("none/a.yaml", "standby_pump", 1, "No such file"),
        ("a.yaml", "nowhere.yaml", 6, "nowhere.yaml:0:0"),
    ],
)
def test_what_cannot_be_started(
    call: Callable[..., Ran], tmp_path: Path, name: str, like: str, code: int, said: str
) -> None:
    ran = call("new", str(tmp_path / name), "--like", like)
    assert ran.code == code
    assert said in ran.err
    assert list(tmp_path.iterdir()) == []


def test_a_machine_of_ones_own_is_started_from_too(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    file = tmp_path / "machine.yaml"
    assert call("new", str(file), "--like", cart).code == 0
    name = re.sub(r"[^a-z0-9]+", "_", tmp_path.name.lower()).strip("_")
    assert load_machine(file).id == name


def test_check_says_what_a_machine_costs(call: Callable[..., Ran], cart: str) -> None:
    answer = call("check", cart, "--json").json
    assert answer["problems"] == []
    cost = answer["cost"]
    assert f"{cost['fault_sets']:,} fault sets" in call("check", cart).out
    assert cost["first_start_seconds"] > 0.0
    assert cost["dear"] is None


def test_problems_can_be_piped(cart: str, tmp_path: Path) -> None:
    """A pipe gets the problems, standard error how many there are; a terminal has all of it."""
    file = tmp_path / "broken.yaml"
    text = Path(cart).read_text("utf-8").replace("    amps: 20\n", "    amps: 5\n")
    file.write_text(text.replace("metres: 0.8", "metres: -1"), "utf-8")
    command = [sys.executable, "-m", "diagnose", "check", str(file)]
    piped = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert piped.returncode == 6
    lines = piped.stdout.splitlines()
    assert [re.match(r".*:\d+:\d+: .* \[(\w+)\]$", line)[1] for line in lines] == [  # type: ignore[index]
        "out_of_range",
        "fuse_too_small",
    ]
    assert piped.stderr == f"{file}: 2 problems\n"
    here, there = os.openpty()
    with subprocess.Popen(command, stdout=there, stderr=subprocess.PIPE, text=True) as shown:
        _, err = shown.communicate(timeout=60)
    os.close(there)
    os.close(here)
    assert err.splitlines() == [*lines, f"{file}: 2 problems"]


def test_json_has_the_nearest_name(call: Callable[..., Ran], cart: str, tmp_path: Path) -> None:
    file = tmp_path / "broken.yaml"
    file.write_text(Path(cart).read_text("utf-8").replace("to: lamp_in", "to: lamp_inn"), "utf-8")
    ran = call("check", str(file), "--json")
    assert ran.code == 6
    (problem,) = ran.json["problems"]
    assert set(problem) == {"file", "line", "column", "rule", "message", "nearest"}
    assert (problem["file"], problem["nearest"]) == (str(file), "lamp_in")
    assert (ran.json["count"], ran.json["cost"]) == (1, None)
