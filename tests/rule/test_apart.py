"""The first start of all, in a process of its own: the same machine, and no process left behind."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose import cache
from diagnose.errors import CircuitError, StoppedError
from diagnose.faults.base import pack
from diagnose.machine.load import load_machine
from diagnose.rule import prepared as room
from diagnose.rule.apart import compiled_before, note_compiled, solved_apart
from diagnose.rule.prepared import prepared, prepared_bytes
from diagnose.stop import stopped_when

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.machine.model import Machine

CART = str(Path(__file__).parents[1] / "machine" / "larkfield.yaml")
KEY = "0" * 64


@pytest.fixture
def nothing_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """As on a computer where nothing of it was ever started."""
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(tmp_path))
    room._prepared.clear()
    return tmp_path


@pytest.fixture
def cart() -> Machine:
    return load_machine(CART)


def refuse(*_: object) -> None:
    raise CircuitError("solved in this process")


def instead(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Let the other process be a script."""

    def be(script: str) -> None:
        place = folder / "python"
        place.write_text(f"#!/bin/sh\n{script}\n")
        place.chmod(0o700)
        monkeypatch.setattr(sys, "executable", str(place))

    return be


def test_another_process_solves_the_same(
    nothing_kept: Path, cart: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = pack(room.solve(cart, KEY, lambda _: None).sets.base)
    monkeypatch.setattr(room, "solve_base", refuse)
    told = list[str]()
    assert not compiled_before()
    found = prepared(cart, told.append)
    assert compiled_before()
    assert found.machine == cart
    there = pack(found.sets.base)
    assert here.keys() == there.keys()
    for name, array in here.items():
        np.testing.assert_array_equal(array, there[name])
    assert told[0] == "reading the machine file"
    assert any("fault sets solved" in sentence for sentence in told)
    assert prepared_bytes() > 0
    assert nothing_kept.exists()


def test_once_they_are_compiled_this_process_solves(
    nothing_kept: Path, cart: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert nothing_kept.exists()
    note_compiled()
    monkeypatch.setattr(room, "solve_base", refuse)
    with pytest.raises(CircuitError, match="in this process"):
        prepared(cart)


@pytest.mark.parametrize("script", ["exit 1", "echo begun; kill -9 $$", "exit 0"])
def test_where_that_fails_this_process_solves(
    nothing_kept: Path, cart: Machine, monkeypatch: pytest.MonkeyPatch, script: str
) -> None:
    instead(nothing_kept, monkeypatch)(script)
    assert len(prepared(cart).faults) > 0
    assert not compiled_before()


def test_where_nothing_can_be_kept_or_started_this_process_solves(
    nothing_kept: Path, cart: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", str(nothing_kept / "absent"))
    assert not solved_apart(cart, lambda _: None)
    (nothing_kept / "file").write_text("no folder")
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(nothing_kept / "file"))
    assert not solved_apart(cart, lambda _: None)


def test_it_ends_when_nobody_waits(
    nothing_kept: Path, cart: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    instead(nothing_kept, monkeypatch)("echo $$; exec sleep 600")
    told, begun = list[str](), time.monotonic()
    with stopped_when(lambda: bool(told)), pytest.raises(StoppedError):
        solved_apart(cart, told.append)
    assert time.monotonic() - begun < 60.0
    with pytest.raises(ProcessLookupError):
        os.kill(int(told[0]), 0)
