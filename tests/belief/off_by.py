"""How far the search is off on random jobs of a small machine: `python -m tests.belief.off_by`.

Against sums over every combination of what can be wrong, at full and at low fault rates; zero to
four repairs, forty jobs of each. Jobs whose findings cannot all be true are left out.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import numpy as np

from diagnose.belief.belief import believe
from diagnose.errors import ClashError
from tests.belief.enumeration import account
from tests.belief.lift import calm, every, job, lift

if TYPE_CHECKING:
    from diagnose.rule.prepared import Prepared
    from tests.belief.enumeration import Everything

JOBS, MOST_REPAIRS = 40, 4


def off_by(kind: Prepared, everything: Everything, seed: int, repairs: int) -> list[float]:
    """Largest error of a suspect, and of an outcome's chance; what is said to be left out."""
    situation = job(100 + seed, repairs, kind=kind)
    found, wanted = believe(kind.sets, situation), account(everything, situation)
    chances = np.concatenate([wanted.chances(test) for test in kind.machine.tests.values()])
    suspects = np.abs(found.survey.faults - wanted.faults).max()
    return [suspects, np.abs(found.survey.chance - chances).max(), found.left_out]


def main() -> None:
    """The figures of both kinds."""
    for name, (kind, everything) in {"full": (lift(), every()), "low": calm()}.items():
        rows = []
        for repairs in range(MOST_REPAIRS + 1):
            for seed in range(JOBS):
                try:
                    rows.append(off_by(kind, everything, seed, repairs))
                except ClashError:
                    continue
        suspects, chances, left_out = np.array(rows).T
        past = [suspects - left_out, chances - left_out]
        sys.stdout.write(
            f"{name} rates, {len(rows)} jobs: suspects off by {suspects.max():.4f}, outcomes by "
            f"{chances.max():.4f}; past the bound by {past[0].max():.4f} and {past[1].max():.4f}, "
            f"in {int((np.maximum(*past) > 0.0).sum())} of them\n"
        )


if __name__ == "__main__":
    main()
