"""A machine with priors laid over it answers as if its file said so, and is not solved again."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diagnose.job import Job, prepare
from diagnose.machine.load import load_machine
from diagnose.machine.overlay import Overlay, Rate
from diagnose.machine.overlay_file import rounded, write_overlay
from diagnose.rule import prepared as room

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

CART = Path(__file__).parents[1] / "machine" / "larkfield.yaml"


@pytest.fixture(scope="module")
def cart() -> Machine:
    return load_machine(CART)


def other_priors(machine: Machine, seed: int, **more: dict[str, float]) -> Overlay:
    """Each rate of a machine multiplied by up to four, or divided."""
    draw = random.Random(seed)  # noqa: S311 - no secret
    rates = {
        (part.id, mode.id): Rate(r := mode.per_1000_jobs * 4.0 ** draw.uniform(-1, 1), r, r)
        for part in machine.parts.values()
        for mode in list(part.modes.values())[1:]
    }
    return rounded(Overlay(machine.id, machine.version, machine.content_hash, rates=rates, **more))


@pytest.mark.parametrize("slips", [{}, {"volts": 4.0, "look": 0.0, "listen": 12.0}])
def test_answers_are_those_of_a_file_that_says_the_same(
    cart: Machine, slips: dict[str, float]
) -> None:
    overlay = other_priors(cart, 5, slip_percent=slips)
    anew = replace(overlay.applied(cart), content_hash=f"anew{len(slips)}", priors_version="")
    steps = (("hear_relay", "silent"), ("battery_rest", 12.6), ("see_fuse", "nothing_seen"))
    laid, solved = Job.open(CART, "silent", priors=overlay), Job.open(anew, "silent")
    shipped = Job.open(CART, "silent")
    for test, result in steps:
        laid, solved = laid.record(test, result), solved.record(test, result)
        shipped = shipped.record(test, result)
        one, other = laid.advise(), solved.advise()
        by_name = {(s.part, s.mode): s.probability for s in other.suspects}
        assert {(s.part, s.mode): s.probability for s in one.suspects} == pytest.approx(
            by_name, abs=1e-12
        )
        assert one.verdict.target == other.verdict.target
        gains = {test.test: test.gain_bits for test in other.tests}
        assert {test.test: test.gain_bits for test in one.tests} == pytest.approx(gains, abs=1e-11)
        before = {(s.part, s.mode): s.probability for s in shipped.advise().suspects}
        assert max(abs(before[name] - by_name[name]) for name in by_name) > 0.01


def test_a_warm_start_with_priors_solves_nothing(
    cart: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    prepare(CART)
    file = tmp_path / "priors.yaml"
    overlay = other_priors(cart, 6)
    write_overlay(overlay, file)

    def refuse(*_: object) -> None:
        raise AssertionError("solved again")

    monkeypatch.setattr(room, "solve_base", refuse)
    for _ in range(2):
        room._prepared.clear()
        answer = Job.open(CART, "silent", priors=file).advise()
        assert answer.priors_version == overlay.version
        assert Job.open(overlay.applied(cart), "silent").advise() == answer
    # nor is it where only the machine with the priors is there, and its file on disk
    room._prepared.clear()
    assert Job.open(overlay.applied(cart), "silent").advise() == answer
    assert Job.open(CART, "silent").advise().priors_version == ""


def test_the_same_machine_under_several_priors_stays_several(cart: Machine) -> None:
    chances = {
        seed: Job.open(cart, "silent", priors=other_priors(cart, seed)).advise().suspects
        for seed in (1, 2)
    }
    again = Job.open(cart, "silent", priors=other_priors(cart, 1)).advise().suspects
    assert chances[1] != chances[2]
    assert chances[1] == again != Job.open(cart, "silent").advise().suspects


def test_priors_on_a_machine_that_was_never_made_ready(
    cart: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOSTART_CACHE_DIR", str(tmp_path))
    overlay = other_priors(cart, 7)
    room._prepared.clear()
    cold = Job.open(overlay.applied(cart), "silent").advise()
    room._prepared.clear()
    kept = len(list(tmp_path.glob("machine-*.npz")))
    assert Job.open(overlay.applied(cart), "silent").advise() == cold
    assert len(list(tmp_path.glob("machine-*.npz"))) == kept == 1
    room._prepared.clear()
    assert Job.open(CART, "silent", priors=overlay).advise().suspects == cold.suspects
