"""One rule: advice, trials, the card, a look further and the bench name the same action.

Run with `pytest tests/rule/test_one_rule.py --benchmark-enable -n 0 -s` for 2 000 places of jobs on
all shipped machines; in the normal run there are some hundred on two of them.
"""

from __future__ import annotations

import sys
from collections import Counter

from diagnose.advice.follow_up import WHY_FLAT
from diagnose.ahead.desk import Desk
from diagnose.ahead.expected import gate_action
from diagnose.ahead.look_further import look_further, named
from diagnose.ahead.policy_tree import HandOver, RepairLeaf, TreeStep, policy_tree
from diagnose.ahead.rollout import candidates
from diagnose.commands.turn import Turn
from diagnose.machine.load import machine_names
from diagnose.rule.costs import HAND_OVER
from tests.rule.drawn_jobs import Place, drawn_places

FEW = {"standby_pump": 50, "utility_vehicle": 50}
MANY = dict.fromkeys(machine_names(), 500)

OF_THE_JOB = ("recheck", "done")
"""Verdicts that are not the rule's: a finding that does not fit, a machine that works."""

EVERY = 20
"""At every so many places jobs are played as well; elsewhere only what they begin with is asked."""


def on_card(desk: Desk) -> str:
    """What the card says first."""
    root = policy_tree(desk, 1, least_share=2.0).root
    if isinstance(root, TreeStep):
        return desk.costs.tests.names[root.test]
    if isinstance(root, RepairLeaf):
        return desk.costs.repairs.names[root.repair]
    assert isinstance(root, HandOver)
    return HAND_OVER


def actions(place: Place, *, playing: bool) -> dict[str, str]:
    """Who asks -> what is to be done."""
    job = place.job
    costs, skipped = job.prepared.costs, [test for test, _ in job.skipped]
    turn = Turn.of(job)
    verdict = turn.advice.verdict
    if verdict.action in OF_THE_JOB:
        return {"advice": verdict.action}
    if WHY_FLAT in verdict.notes:  # it runs: for everybody else the job is over
        return {"advice": "done"}
    desk = Desk(job.prepared, job.situation, skipped)
    further = costs.action_name(candidates(desk, desk.start)[0])
    if playing:
        leading = look_further(desk, budget_seconds=0.0).actions[0]
        further = leading.target or leading.action
    asked = turn.asked or turn.advice.verdict.target or HAND_OVER
    found = {
        "advice": verdict.target or HAND_OVER,
        "trial": costs.action_name(gate_action(desk, desk.start)),
        "card": on_card(desk),
        "look further": further,
        "bench": asked,
    }
    assert verdict.action == named(costs, found["advice"])[0]
    if place.walked is not None:
        assert place.walked.situation == desk.start.situation
        found["trial on its way"] = costs.action_name(gate_action(place.desk, place.walked))
    return found


def test_everybody_names_the_same_action(benchmark, monkeypatch) -> None:
    """No place where two of them differ, whatever was found and done by then."""
    if not benchmark.enabled:
        # what the search left out is estimated from fewer sets; it decides nothing
        monkeypatch.setattr("diagnose.belief.search.SAMPLED", 4)
    counts: Counter[str] = Counter()

    def differing() -> list[tuple[Place, dict[str, str]]]:
        found = []
        for name, count in (MANY if benchmark.enabled else FEW).items():
            for number, place in enumerate(drawn_places(name, count)):
                said = actions(place, playing=number % EVERY == 0)
                situation = place.job.situation
                counts["places"] += 1
                counts[f"{len(situation.past)} repairs"] += 1
                counts[named_kind(place, said)] += 1
                counts["as trials come to it"] += "trial on its way" in said
                if len(set(said.values())) > 1:
                    found.append((place, said))
        return found

    found = benchmark.pedantic(differing, rounds=1, iterations=1)
    sys.stdout.write(f"\n{dict(counts)}\n")
    assert not found, [(place.job.situation, said) for place, said in found[:3]]
    # every kind of action, and jobs without, with one and with two repairs, are among them
    for kind in ("test", "repair", "0 repairs", "1 repairs", "2 repairs", "as trials come to it"):
        assert counts[kind] >= counts["places"] // 50, kind
    assert counts["escalate"] > 0 or not benchmark.enabled
    assert counts["recheck"] + counts["done"] < counts["places"] // 4


def named_kind(place: Place, said: dict[str, str]) -> str:
    if said["advice"] in OF_THE_JOB:
        return said["advice"]
    return named(place.job.prepared.costs, said["advice"])[0]
