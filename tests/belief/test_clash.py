"""Findings that cannot all be true: the error names some of which none can be left out.

With the tests' ordinary share of slips nothing is quite impossible, so here nobody ever slips.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from diagnose.belief.belief import believe
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.errors import ClashError
from diagnose.rule.prepared import Prepared, prepared
from tests.belief.enumeration import Everything, account
from tests.belief.lift import lift


@cache
def no_slips() -> Prepared:
    tests = {name: replace(t, slip_percent=0.0) for name, t in lift().machine.tests.items()}
    return prepared(replace(lift().machine, tests=tests, content_hash="nobody slips"))


@cache
def everything() -> Everything:
    return Everything(no_slips().behaviour)


def possible(findings: tuple[Finding, ...]) -> bool:
    """Whether any fault set, with any causes, gives all of these."""
    likely = everything().prior * everything().told("no_lift")
    for finding in findings:
        likely = likely * everything().finding(finding)
    return bool(likely.max() > 0.0)


DIM = Finding("pilot", "dim")
DARK_AND_BRIGHT = (
    Finding("look_damp", "found"),
    Finding("pilot", "bright"),
    Finding("ground_drop", "normal"),
    Finding("fuse_look", "damage_seen"),
    Finding("listen", "silent"),
)


@pytest.mark.parametrize(
    "findings",
    [
        DARK_AND_BRIGHT,
        DARK_AND_BRIGHT[::-1],
        (Finding("listen", "pulls_in"), Finding("key_ohms", "open"), Finding("watch", "slow")),
        (Finding("look_nest", "found"), Finding("fuse_look", "damage_seen"), DIM),
    ],
)
def test_a_smallest_set_is_named(findings: tuple[Finding, ...]) -> None:
    assert not possible(findings)
    with pytest.raises(ClashError) as caught:
        believe(no_slips().sets, Situation("no_lift", findings))
    named = tuple(f for f in findings if (f.test, f.outcome) in caught.value.findings)
    assert len(named) == len(caught.value.findings) >= 1
    assert not possible(named)
    for finding in named:
        assert possible(tuple(other for other in named if other is not finding))


def test_what_was_seen_before_a_repair_does_not_clash_with_what_is_seen_after_it() -> None:
    bad, good = Finding("fuse_look", "damage_seen"), Finding("pilot", "bright")
    with pytest.raises(ClashError):
        believe(no_slips().sets, Situation("no_lift", (bad, good)))
    mended = Epoch((bad,), RepairDone("fuse", "replace", "no_lift"))
    belief = believe(no_slips().sets, Situation("no_lift", (good,), past=(mended,)))
    assert belief.survey.faults[no_slips().faults.index(("fuse", "open"))] == 0.0


def test_a_clash_after_a_repair_is_named_too() -> None:
    mended = Epoch((Finding("look_damp", "found"),), RepairDone("ground", "clean", "no_lift"))
    findings = (Finding("fuse_look", "damage_seen"), Finding("pilot", "bright"))
    with pytest.raises(ClashError) as caught:
        believe(no_slips().sets, Situation("no_lift", findings, past=(mended,)))
    assert set(caught.value.findings) == {("fuse_look", "damage_seen"), ("pilot", "bright")}


def test_with_the_ordinary_share_of_slips_nothing_is_impossible() -> None:
    belief = believe(lift().sets, Situation("no_lift", DARK_AND_BRIGHT))
    assert np.isfinite(belief.log_evidence)
    assert belief.doubt is not None


def test_what_needs_three_faults_is_no_clash_where_nobody_slips() -> None:
    """Nothing in the base gives all three, so the search has to grow from sets that weigh nothing.

    The probability is the sum over every combination of faults.
    """
    findings = (
        Finding("key_ohms", "open"),
        Finding("fuse_look", "damage_seen"),
        Finding("shake_ground", "comes_and_goes"),
    )
    situation = Situation("no_lift", findings)
    found = believe(no_slips().sets, situation)
    assert found.log_evidence == pytest.approx(
        account(everything(), situation).log_evidence, abs=0.05
    )
    faults = no_slips().faults
    names = [faults[f][0] for f in found.members[0].tolist() if f < len(faults)]
    assert {"key_switch", "fuse", "ground"} <= set(names)
