"""A loose joint that does not show when the machine is tried is found, not given away.

It makes contact while nobody moves it, so all that is measured reads good; who moves it finds it.
Common practice, no source.
"""

from __future__ import annotations

import pytest

from diagnose.job import prepare
from tests.walks.machine_at_hand import BAD_JOINT, RUNS, MachineAtHand
from tests.walks.play import play
from tests.walks.walk import Walk


def loose(machine: str) -> list[Walk]:
    """A job for each loose joint, told in the words for what it does when it is apart."""
    found = []
    known = prepare(machine).machine
    for part in known.parts.values():
        for mode in part.modes.values():
            if mode.loose:
                job = a_job(machine, f"{part.id}.{mode.id}", next(iter(known.complaints)))
                at_hand = MachineAtHand.of(job)
                told = at_hand.does(BAD_JOINT)
                if at_hand.does() == RUNS and told in known.complaints:
                    found.append(a_job(machine, f"{part.id}.{mode.id}", told))
    return found


def a_job(machine: str, fault: str, told: str) -> Walk:
    return Walk(
        id=f"{machine}: {fault}",
        machine=machine,
        told=told,
        does=RUNS,
        faults=(fault,),
        end=RUNS,
        limit_minutes=60.0,
        why="what can be moved is moved, then areas are opened, the cheap ones first",
    )


@pytest.mark.parametrize(("machine", "least"), [("zero_turn_mower", 13), ("standby_pump", 12)])
def test_every_one_of_them_is_found_and_no_good_part_is_fitted(machine: str, least: int) -> None:
    jobs = loose(machine)
    assert len(jobs) >= least
    for job in jobs:
        played = play(job)
        told = "\n".join([job.id, job.told, *played.steps])
        assert (played.end, played.left, played.in_vain) == (RUNS, (), ()), told
        assert played.minutes < job.limit_minutes, told
