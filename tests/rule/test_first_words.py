"""What a first start says while it works, and a machine with other priors beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief.belief import believe
from diagnose.belief.situation import Finding, Situation
from diagnose.errors import NetworkError
from diagnose.rule import prepared as room
from diagnose.rule.prepared import prepared, prepared_like
from tests.belief.lift import lift

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Machine

FOUND = Situation("no_lift", (Finding("pilot", "dark"), Finding("listen", "silent")))


def test_a_first_start_says_what_it_does_and_a_later_one_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOSTART_CACHE_DIR", str(tmp_path))
    machine = replace(lift().machine, content_hash="started for the first time")
    told = list[str]()
    first = prepared(machine, told.append)
    assert told[0] == "reading the machine file"
    assert told[1] == f"{machine.id}: solving the circuit for every fault and the pairs that matter"
    # At most a sentence for each tenth; the last one says that all are solved.
    solved = [line.removeprefix(f"{machine.id}: ").split()[:3] for line in told[2:]]
    count = first.sets.now().n_base
    assert 1 <= len(solved) <= 10
    assert [int(total) for _, _, total in solved] == [count] * len(solved)
    tenths = [10 * int(done) // count for done, _, _ in solved]
    assert tenths == sorted(set(tenths))
    assert tenths[-1] == 10
    room._prepared.clear()
    told.clear()
    assert prepared(machine, told.append) is not first
    assert told == []


def test_what_was_left_out_is_worked_out_where_it_is_asked_for() -> None:
    plain = lift().belief(FOUND)
    assert lift().belief(FOUND, bound=False) is plain
    bounded = lift().belief(FOUND, bound=True)
    assert bounded is not plain
    np.testing.assert_array_equal(bounded.survey.faults, plain.survey.faults)
    assert plain.left_out == believe(lift().sets, FOUND, bound=False).left_out != bounded.left_out


def rarer(machine: Machine, content_hash: str, slip_percent: float | None = None) -> Machine:
    """The lift with a rarer fuse, and with other slips where they are given."""
    fuse = machine.parts["fuse"]
    modes = {
        name: replace(mode, per_1000_jobs=0.5 * mode.per_1000_jobs)
        for name, mode in fuse.modes.items()
    }
    tests = {
        name: test if slip_percent is None else replace(test, slip_percent=slip_percent)
        for name, test in machine.tests.items()
    }
    parts = {**machine.parts, "fuse": replace(fuse, modes=modes)}
    return replace(machine, parts=parts, tests=tests, content_hash=content_hash)


@pytest.mark.parametrize("slip_percent", [None, 6.0])
def test_a_machine_with_other_figures_answers_as_if_it_was_solved_anew(
    slip_percent: float | None,
) -> None:
    own = lift().machine
    like = prepared_like(lift(), rarer(own, f"rarer {slip_percent}", slip_percent))
    anew = prepared(rarer(own, f"rarer, solved anew {slip_percent}", slip_percent))
    one, other = like.belief(FOUND).survey, anew.belief(FOUND).survey
    np.testing.assert_allclose(one.faults, other.faults, atol=2e-3)
    np.testing.assert_allclose(one.chance, other.chance, atol=2e-3)
    before = lift().belief(FOUND).survey
    assert np.abs(before.faults - one.faults).max() > 0.01


def test_a_machine_with_other_tests_is_not_like_it() -> None:
    own = lift().machine
    tests = dict(list(own.tests.items())[:-1])
    with pytest.raises(NetworkError):
        prepared_like(lift(), replace(own, tests=tests, content_hash="one test less"))
