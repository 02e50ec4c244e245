"""Whether refitted priors are taken, and what is watched afterwards, on a small machine."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from diagnose.refit.forecast import forecasts
from diagnose.refit.patterns import make_pattern
from diagnose.refit.refit import refit
from diagnose.refit.trust import ADOPT, KEEP, believe, judge
from diagnose.refit.watch import cases_by_part, drift, misfit
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world, with_rates
from tests.belief.enumeration import account
from tests.belief.lift import calm, job

PRACTICE = Practice(held=150)


@cache
def told(seed: int, orders: int, spread: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    machine = calm()[0].machine
    truth = drawn_world(machine, seed, spread) if spread else None
    kept = simulated_orders(machine, orders, seed, truth=truth, practice=PRACTICE)
    return pd.DataFrame(kept.orders), pd.DataFrame(kept.steps)


@pytest.mark.parametrize("seed", range(4))
def test_chances_of_what_was_seen(seed: int) -> None:
    """The referee of `tests/belief/enumeration.py`: each thing seen, given all before it."""
    ready, every = calm()
    situation = job(seed, 0, kind=ready)
    findings = tuple(replace(f, reading=None, sure=1.0) for f in situation.findings)
    found = forecasts(ready, [make_pattern(replace(situation, findings=findings), None)])[0]
    ordered = tuple(sorted(findings, key=lambda finding: finding.test))
    by_hand = account(every, replace(situation, findings=ordered)).surprises
    # The complaint is forecast among all that come.
    by_hand[0] /= sum(
        account(every, replace(situation, complaint=name, findings=())).surprises[0]
        for name in ready.machine.complaints
    )
    np.testing.assert_allclose(found.chances, by_hand, rtol=0.1, atol=2e-3)


def test_priors_that_forecast_better_are_taken() -> None:
    """Orders of a world that is far from the file: later ones are forecast better."""
    orders, steps = told(11, 500, 1.2)
    found = believe(orders, steps, calm()[0].machine, cuts=(0.6,))
    assert found.verdict == ADOPT
    assert "better" in found.reason
    assert found.orders["new"].mean() > found.orders["old"].mean()
    hits = found.hit_rates()
    assert (hits["top_3"] >= hits["top_1"]).all()
    assert found.murphy["new"].brier < found.murphy["old"].brier + 0.002
    assert found.calibration["new"][1] > 0.0


def test_of_the_file_itself_nothing_is_taken_and_little_lost() -> None:
    """Where the file is right, the verdict is to keep it; a fiftieth of the score is lost."""
    orders, steps = told(3, 300, 0.0)
    found = believe(orders, steps, calm()[0].machine, cuts=(0.5,))
    gain = found.orders["new"] - found.orders["old"]
    assert found.verdict == KEEP
    assert abs(gain.mean()) < 0.02 * abs(found.orders["old"].mean())


def test_minutes_are_part_of_the_verdict() -> None:
    """A trial on the same jobs, machines failing as refitted: minutes of both priors, in the reason
    and in the verdict; who believes what is true takes no longer, within what jobs differ by."""
    orders, steps = told(11, 500, 1.2)
    found = believe(orders, steps, calm()[0].machine, cuts=(0.6,), trial_jobs=150)
    assert found.minutes is not None
    old, new = found.minutes
    assert 0.0 < new < 1.1 * old
    assert found.verdict == (ADOPT if new <= old else KEEP)
    assert (f"save {old - new:.2f} min" in found.reason) == (new <= old)


def test_verdicts() -> None:
    """By their definition: sure to be better, and no more minutes."""
    better = pd.Series([0.1, 0.2, 0.15, 0.1])
    assert judge(better, None)[0] == ADOPT
    assert judge(better, (20.0, 19.0))[0] == ADOPT
    assert judge(better, (20.0, 21.0))[0] == KEEP
    assert judge(-better, None)[0] == KEEP
    assert judge(pd.Series([0.5, -0.5, 0.4, -0.3]), None)[0] == KEEP


def test_a_part_that_begins_to_fail_alarms() -> None:
    """Shewhart's chart: one part ten times as bad from July on stands out, and no month before."""
    machine = calm()[0].machine
    common = max(
        ((part.id, mode.id) for part in machine.parts.values() for mode in part.modes.values()),
        key=lambda fault: machine.parts[fault[0]].modes[fault[1]].per_1000_jobs,
    )
    rare = min(
        (
            (part.id, mode.id)
            for part in machine.parts.values()
            for mode in part.modes.values()
            if mode.per_1000_jobs > 0.0 and part.id != common[0]
        ),
        key=lambda fault: machine.parts[fault[0]].modes[fault[1]].per_1000_jobs,
    )
    rate = machine.parts[rare[0]].modes[rare[1]].per_1000_jobs
    worse = with_rates(machine, {rare: 30.0 * rate}, {})
    first = simulated_orders(machine, 300, 1, practice=replace(PRACTICE, days=270.0))
    begins = pd.Timestamp("2025-07-01", tz="UTC").to_pydatetime()
    later = replace(PRACTICE, begins=begins, days=30.0, shop="other")
    then = simulated_orders(machine, 60, 2, truth=worse, practice=later)
    orders = pd.DataFrame([*first.orders, *then.orders])
    steps = pd.DataFrame([*first.steps, *then.steps])
    table = drift(refit(orders, steps, machine), orders, steps)
    own = table[(table["part"] == rare[0]) & table["alarm"]]
    assert own["month"].tolist() == ["2025-07"]
    others = table[table["part"] != rare[0]]
    assert others["alarm"].mean() < 0.06
    assert table["false_alarm"].iloc[0] == pytest.approx(0.0027, abs=1e-4)


def test_cases_by_part_add_up_to_the_slope() -> None:
    """Each order has at least one failed part, and few have two."""
    orders, steps = told(3, 300, 0.0)
    done = refit(orders, steps, calm()[0].machine)
    cases = cases_by_part(done.evidence, done.fitted.log_ratio)
    by_order = np.average(cases.sum(axis=1), weights=done.evidence.counts)
    assert 0.95 < by_order < 1.6


def test_a_wrong_limit_shows() -> None:
    """A test written down as the opposite in every second order is among the first of the list."""
    orders, steps = told(3, 600, 0.0)
    machine = calm()[0].machine
    counts = steps.loc[steps["kind"] == "finding", "test"].value_counts()
    test = next(name for name in counts.index if len(machine.tests[name].outcomes) == 2)
    first, second = (outcome.id for outcome in machine.tests[test].outcomes)
    wrong = steps.copy()
    own = wrong.index[(wrong["test"] == test) & (wrong["kind"] == "finding")][::2]
    wrong.loc[own, "outcome"] = wrong.loc[own, "outcome"].map({first: second, second: first})
    table = misfit(refit(orders, wrong, machine), orders, wrong, machine).set_index("test")
    before = misfit(refit(orders, steps, machine), orders, steps, machine).set_index("test")
    assert table.loc[test, "at_most"] < 0.05
    assert table.loc[test, "z"] > before.loc[test, "z"] + 4.0
    often = before[before["findings"] >= 20]
    assert len(often) >= 6
    assert often["z"].abs().max() < 3.0  # on the right file nothing surprises more than it should
