"""The same machine with other figures than the policy believes: what being wrong costs."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.errors import ValueOutOfRangeError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Machine


def with_other_priors(machine: Machine, factors: Mapping[tuple[str, str], float]) -> Machine:
    """A machine whose faults are that many times as frequent.

    Args:
        machine: as it was.
        factors: (part, mode) -> factor; what is missing stays.
    """
    parts = {}
    for part in machine.parts.values():
        modes = {
            mode.id: replace(
                mode, per_1000_jobs=mode.per_1000_jobs * factors.get((part.id, mode.id), 1.0)
            )
            for mode in part.modes.values()
        }
        parts[part.id] = replace(part, modes=modes)
    told = repr(sorted(factors.items()))
    return replace(machine, parts=parts, content_hash=_hash(machine, told))


def with_more_slips(machine: Machine, times: float) -> Machine:
    """A machine whose results are that many times as often written down wrong.

    Raises:
        ValueOutOfRangeError: more slips than results.
    """
    most = max((test.slip_percent for test in machine.tests.values()), default=0.0) * times
    if not 0.0 <= most < 100.0:
        raise ValueOutOfRangeError("share of slips", most, 0.0, 100.0, "%")
    tests = {
        test.id: replace(test, slip_percent=test.slip_percent * times)
        for test in machine.tests.values()
    }
    return replace(machine, tests=tests, content_hash=_hash(machine, f"slips {times!r}"))


def with_words_that_fit(machine: Machine, percent: float) -> Machine:
    """A machine whose customers mean what it does that often, whatever they say.

    Raises:
        ValueOutOfRangeError: no percentage.
    """
    if not 0.0 <= percent <= 100.0:
        raise ValueOutOfRangeError("words that fit", percent, 0.0, 100.0, "%")
    complaints = {
        complaint.id: replace(complaint, words_fit_percent=percent)
        for complaint in machine.complaints.values()
    }
    told = _hash(machine, f"words {percent!r}")
    return replace(machine, complaints=complaints, content_hash=told)


def with_tests_that_always_answer(machine: Machine) -> Machine:
    """A machine of which everything can be measured at once, an engine that runs included.

    So all simulated jobs were, before a condition could need functions.
    """
    conditions = {name: replace(c, needs={}) for name, c in machine.conditions.items()}
    return replace(machine, conditions=conditions, content_hash=_hash(machine, "no needs"))


def _hash(machine: Machine, told: str) -> str:
    """Content hash of a machine that no file holds."""
    return hashlib.sha256(f"{machine.content_hash} {told}".encode()).hexdigest()
