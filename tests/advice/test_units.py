"""After a new key switch no contact of the old one is under suspicion, but as a bad new one."""

from __future__ import annotations

import pytest

from diagnose.job import Job, prepare
from diagnose.machine.load import load_machine

UNITS = [
    ("zero_turn_mower", "key_start", ("key_run", "key_start")),
    ("zero_turn_mower", "key_run", ("key_run", "key_start")),
    ("compact_tractor", "glow_contact", ("key_switch", "start_contact", "glow_contact")),
]


@pytest.mark.parametrize(("name", "part", "unit"), UNITS)
def test_nothing_of_the_old_one_is_left(name: str, part: str, unit: tuple[str, ...]) -> None:
    # By hand: 5 new ones of 1 000 are bad, in one of their contacts, shared out by the counts of
    # the file. Until it is tried nothing more is known about the new one. What a bad new one does
    # beside three other faults is left out of the belief, so that some of it is missing.
    machine = load_machine(name)
    complaint = next(iter(machine.complaints))
    job = Job.open(name, complaint)
    before = {(s.part, s.mode): s.probability for s in job.advise().suspects}
    after = {(s.part, s.mode): s.probability for s in job.repair(part, "replace").advise().suspects}
    counts = {
        (one, mode.id): mode.per_1000_jobs
        for one in unit
        for mode in machine.parts[one].modes.values()
        if mode.id != "ok"
    }
    for fault, count in counts.items():
        wanted = 0.005 * count / sum(counts.values())
        assert 0.4 * wanted < after[fault] < 1.01 * wanted, fault
    assert sum(before[fault] for fault in counts) > 2.0 * sum(after[fault] for fault in counts)


def test_a_new_one_is_a_waste_only_where_all_of_the_old_one_was_good() -> None:
    ready = prepare("zero_turn_mower")
    repairs = ready.costs.repairs
    row = repairs.names.index("key_run.replace")
    start = ready.faults.index(("key_start", "open"))
    other = ready.faults.index(("seat_switch", "open"))
    assert not repairs.wastes(row, [start])
    assert repairs.wastes(row, [other])
    assert repairs.wastes(row, [])
