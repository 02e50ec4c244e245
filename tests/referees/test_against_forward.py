"""The engine's answers against weighed forward simulation (`tests.referees.compare`).

Bars of the project: a hundredth plus the referee's own noise for all but one state in a hundred,
three hundredths at worst, and nowhere further off than the answer itself says it may be. A few
states here; `python -m tests.referees.compare` does hundreds.
"""

from __future__ import annotations

import pytest

from diagnose.machine.load import load_machine
from tests.referees.bench import Bench
from tests.referees.compare import ALLOWED, ALLOWED_AT_WORST, case_in_words, run
from tests.referees.pool import Pool
from tests.referees.weighing import Effort

STATES = 3
QUICK = Effort(rounds=1, draws=400, batch=2000, error=0.002, batches=2)
AGAIN = Effort(rounds=2, draws=1000, batch=4000, error=0.001, batches=8)


@pytest.mark.parametrize("machine", ["standby_pump", "utility_vehicle"])
def test_answers_agree_with_forward_simulation(machine: str) -> None:
    pool = Pool(Bench(load_machine(machine)), 300, seed=3)
    for one in run(machine, STATES, 3, QUICK, AGAIN, pool):
        assert not one.broken, case_in_words(one)
        assert one.error <= ALLOWED + 3 * one.noise, case_in_words(one)
        assert one.error <= ALLOWED_AT_WORST, case_in_words(one)
        assert abs(one.log_off) < 0.05, case_in_words(one)
