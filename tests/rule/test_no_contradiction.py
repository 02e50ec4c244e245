"""What was just seen is not expected to be otherwise on the next look.

Jobs of machines drawn forward, answered by the circuit, slips included, follow the advice. At every
step each look and each listen is held against what the findings since the last repair say of the
same function. A joint that comes and goes may show another level the next time: it makes contact
six times in ten (an estimate of the project), so that much is allowed for each that is suspected.
Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.faults.tried import check_results
from diagnose.job import Job, prepare
from diagnose.machine.load import machine_names
from diagnose.trial.shop import Shop, draw_truths
from tests.rule.answered_jobs import OVER

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.trial.shop import Truth

JOBS, MOST_STEPS = 7, 22
EXPECTED = 0.2
"""What is seen next is not another level than the one recorded with more chance than this."""
CONTACT = 0.6
SURE_PERCENT = 3.0
"""Tests that slip less often than this say what the function does."""


def played(name: str, complaint: str, truth: Truth, rng: np.random.Generator) -> Iterator[Job]:
    """A job at every step of the advice."""
    job = Job.open(name, complaint)
    costs, shop = job.prepared.costs, Shop(job.prepared, complaint)
    for _ in range(MOST_STEPS):
        yield job
        said = job.advise().verdict
        if said.action in OVER:
            return
        if said.action == "recheck":
            job = job.confirm(said.target)
        elif said.action == "test":
            number, test = costs.tests.names.index(said.target), job.machine.tests[said.target]
            job = job.record(test.id, test.outcomes[shop.answer(truth, number, rng.random())].id)
            job = job if test.area is None else job.open_area(test.area)
        else:
            repair = costs.repairs.names.index(said.target)
            truth = shop.mend(truth, repair, rng.random())
            chances = shop.checks(truth)
            result = int(rng.choice(len(chances), p=chances / chances.sum()))
            shown = check_results(job.machine, complaint)[result]
            job = job.repair(*said.target.split("."), shown)


def seen_of(job: Job) -> list[tuple[str, frozenset[str]]]:
    """(function, levels) that the last check and the findings since then say."""
    machine, found = job.machine, list[tuple[str, frozenset[str]]]()
    shown = job.repairs[-1].check if job.repairs else None
    if shown in machine.complaints:
        says = machine.complaints[shown].says
        found += [(name, frozenset(levels)) for name, levels in says.items()]
    for finding in job.findings:
        test = machine.tests[finding.test]
        if finding.sure < 1.0 or test.slip_percent >= SURE_PERCENT:
            continue
        if test.kind in {"look", "listen"} and test.function is not None:
            found.append((test.function, frozenset({finding.outcome})))
        elif test.kind == "try":
            says = machine.works if finding.outcome == "runs" else {}
            if finding.outcome in machine.complaints:
                says = machine.complaints[finding.outcome].says
            found += [(name, frozenset(levels)) for name, levels in says.items()]
    return found


def come_and_go(job: Job) -> float:
    """Probability of a loose joint, added up over all of them."""
    faults = job.prepared.belief(job.situation).survey.faults.tolist()
    parts = job.machine.parts
    return sum(
        chance
        for (part, mode), chance in zip(job.prepared.faults, faults, strict=True)
        if part in parts and parts[part].modes[mode].loose
    )


@pytest.mark.parametrize("name", machine_names())
def test_no_look_is_expected_to_show_another_level(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what the search left out is estimated from fewer sets; it decides nothing
    monkeypatch.setattr("diagnose.belief.search.SAMPLED", 4)
    ready, rng, compared = prepare(name), np.random.default_rng(11), 0
    complaints = list(ready.machine.complaints)
    for number in range(JOBS):
        complaint = complaints[number % len(complaints)]
        truth = draw_truths(ready, complaint, 1, rng)[0]
        for job in played(name, complaint, truth, rng):
            allowed = EXPECTED + CONTACT * come_and_go(job)
            seen = seen_of(job)
            for one in job.advise().tests:
                test = job.machine.tests[one.test]
                if test.kind not in {"look", "listen"}:
                    continue
                said = [levels for function, levels in seen if function == test.function]
                for outcome in one.outcomes:
                    for levels in said:
                        compared += allowed < 0.5
                        told = (truth, job.findings, one.test, outcome)
                        assert outcome.outcome in levels or outcome.probability <= allowed, told
    assert compared > 20
