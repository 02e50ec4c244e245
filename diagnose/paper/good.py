"""What a good machine gives: the outcome of any test, the reading of those that have one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import cause_chances, outcome_chances
from diagnose.paper import words

if TYPE_CHECKING:
    from diagnose.job import Job
    from diagnose.machine.model import Outcome, Test


def good_outcome(job: Job, test: Test) -> Outcome:
    """The likeliest outcome with nothing wrong."""
    behaviour = job.prepared.behaviour
    if test.cause is not None:
        chances = cause_chances(test)[0]
    else:
        chances = outcome_chances(test, behaviour.readings([()])[0, behaviour.column_of(test)])
    return test.outcomes[int(np.argmax(chances))]


def good_words(job: Job, test: Test) -> str:
    """`12.4 V (11 V or more)` for a reading, else the outcome in words.

    Raises:
        ClashError: the findings cannot all be true.
    """
    if test.unit is None:
        return words.outcome_words(job.machine, test.id, good_outcome(job, test).id)
    good = job.expect(test.id)[0]
    reading = words.reading_words(good.typical, test.unit)
    if reading == words.OPEN:
        return reading
    held = _range_words(test, good.outcome)
    return held if reading in held else f"{reading} ({held})"


def _range_words(test: Test, outcome: str) -> str:
    """The readings that an outcome stands for: its title where that says so, else its bounds."""
    place = [known.id for known in test.outcomes].index(outcome)
    known, above = test.outcomes[place], test.outcomes[place - 1] if place else None
    if re.search(r"\d", known.title):
        return known.title
    top = None if above is None else above.at_least
    if known.at_least is None:
        return "" if top is None else f"below {top:g} {test.unit}"
    bottom = f"{known.at_least:g}"
    return f"{bottom} {test.unit} or more" if top is None else f"{bottom} to {top:g} {test.unit}"
