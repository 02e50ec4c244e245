"""From when on a finding is doubted, by the evidence with and without it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from diagnose.belief.situation import Finding, Situation
from tests.belief.lift import lift

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief


def believed(*findings: Finding) -> Belief:
    return lift().belief(Situation("no_lift", findings))


def slip_by_evidence(finding: Finding) -> float:
    """Chance that a finding is a slip and something else is there, by Bayes' rule.

    A slip writes down any of the outcomes alike, whatever is there: P(e, slip) = s / n P(e without
    it). One slip in n is right by luck, and looks like any look that is no slip.
    """
    test = lift().machine.tests[finding.test]
    n, own = len(test.outcomes), test.slip_percent / 100.0
    slips = 1.0 - finding.sure * (1.0 - own)
    with_it, without = believed(finding), believed()
    chance = slips / n * math.exp(without.log_evidence - with_it.log_evidence)
    return chance - slips / n / (1.0 - slips) * (1.0 - chance)


@pytest.mark.parametrize(
    ("finding", "limit"), [(Finding("pilot", "dark"), 0.01), (Finding("look_damp", "found"), 0.5)]
)
def test_a_finding_is_doubted_from_a_hundredth_on_and_before_all_else_from_a_half_on(
    finding: Finding, limit: float
) -> None:
    # How sure he is who tells it is turned down step by step. The search leaves out a little, so
    # what lies within a twentieth of the limit is not asked.
    above = below = 0
    for step in range(100):
        told = replace(finding, sure=1.0 - step / 200.0)
        chance, belief = slip_by_evidence(told), believed(told)
        if abs(chance / limit - 1.0) < 0.05:
            continue
        slip = belief.likeliest_slip if limit < 0.1 else belief.doubt
        assert (slip is not None) == (chance > limit)
        if slip is not None:
            assert slip.test == told.test
            assert slip.slip == pytest.approx(chance, rel=0.03)
        above += limit < chance < 1.45 * limit
        below += limit / 1.45 < chance < limit
    assert above
    assert below
