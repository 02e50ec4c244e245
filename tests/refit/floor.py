"""How near to the truth any fit could come: a long run, not a test.

    python -m tests.refit.floor --orders 5000 --worlds 2

The same machines three times: the orders as the shop worked and kept them; each with every test of
the machine done once, before any repair; each with what was wrong with it, as if a referee had told
(complete data). All three go through the same fit. Beside them stands what even counting the true
parts leaves to chance: the mean total variation of a sample's shares, `sum sqrt(2 p (1 - p) / (pi
n)) / 2`. What lies between the first and the second the tests that were left out would have told;
between the second and the third, what no test tells apart; below the third, nothing.
"""

from __future__ import annotations

import argparse
from collections import Counter
from time import perf_counter

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from diagnose.faults.manners import COMES_AND_GOES
from diagnose.faults.outcomes import complaint_chances, wording
from diagnose.machine.load import load_machine
from diagnose.refit.evidence import Evidence, make_evidence
from diagnose.refit.fit import fit, scaled
from diagnose.refit.likelihood import LEAST_SHARE, Row
from diagnose.refit.model import RateModel, make_model
from diagnose.refit.refit import refit
from diagnose.rule.prepared import Prepared, prepared
from diagnose.trial.orders import Practice, _brought_in, simulated_orders
from diagnose.trial.shop import Shop
from diagnose.trial.worlds import drawn_world, ready_world
from tests.refit.recover import by_part_off, off_by, tell, truth_of


def complete(ready: Prepared, model: RateModel, drawn: list) -> Evidence:
    """Every order tells what was wrong; shared causes stay unseen."""
    told = Counter(truth.faults for _, truth in drawn)
    free = np.ones(1 << model.n_free)
    rows = [Row((faults,), np.ones(1), free, 0.0, 0.0) for faults in sorted(told)]
    return make_evidence(ready.sets, model, rows, [told[faults] for faults in sorted(told)])


def all_tests(ready: Prepared, world: Prepared, model: RateModel, drawn: list) -> Evidence:
    """Every order tells the complaint, and what each test shows of the machine as it came."""
    sets, columns = ready.sets, ready.sets.columns
    solved = sets.with_sets(list(dict.fromkeys(truth.faults for _, truth in drawn)))
    places = np.arange(solved.n_base)
    shops = {name: Shop(world, name) for name in ready.machine.complaints}
    rng, free = np.random.default_rng(1), np.ones(1 << model.n_free)
    tests = [number for number in range(len(columns.tests)) if columns.column[number] >= 0]
    logs = []
    for test in tests:
        table = solved.chances.of(test, len(columns.tests[test].outcomes))
        logs.append(np.log(table[:, solved.place[places, columns.column[test]]]))
    shares = np.log(np.maximum(solved.manners(places), 1e-300)).T
    told = {
        name: np.log(
            complaint_chances(
                solved.readings(ready.behaviour.column[name], places), wording(ready.machine, name)
            )[:, 0]
        )
        for name in ready.machine.complaints
    }
    prior = np.log(np.maximum(solved.prior[places], 1e-300))
    rows = []
    for complaint, truth in drawn:
        each = shares.copy()
        for test, log in zip(tests, logs, strict=True):
            outcome = shops[complaint].answer(truth, test, float(rng.random()))
            each += log[COMES_AND_GOES:, :, outcome]
        like = told[complaint] + logsumexp(each, axis=0)
        mass = np.exp(like + prior - (like + prior).max())
        kept = np.flatnonzero(mass > LEAST_SHARE * mass.sum())
        most = float(like[kept].max())
        named = tuple(solved.faults(int(row)) for row in kept)
        rows.append(Row(named, np.exp(like[kept] - most), free, most, 0.0))
    return make_evidence(sets, model, rows, [1] * len(rows))


def by_chance(model: RateModel, truth: np.ndarray, orders: int) -> float:
    """Mean total variation by part of a sample of so many parts."""
    share = np.bincount(model.part_of, model.marginal * np.exp(truth[: model.n_faults]))
    share /= share.sum()
    return float(0.5 * np.sqrt(2.0 * share * (1.0 - share) / np.pi / orders).sum())


def figures(name: str, model: RateModel, log_ratio: np.ndarray, truth: np.ndarray) -> dict:
    return {
        f"{name} error": off_by(model, log_ratio, truth),
        f"{name} parts": by_part_off(model, log_ratio, truth),
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machine", default="push_mower")
    options.add_argument("--orders", type=int, default=5000)
    options.add_argument("--worlds", type=int, default=2)
    options.add_argument("--first", type=int, default=1)
    options.add_argument("--policy", default="gate")
    own = options.parse_args()
    machine = load_machine(own.machine)
    ready, rows = prepared(machine), []
    model = make_model(ready.behaviour, ready.sets.priors)
    for seed in range(own.first, own.first + own.worlds):
        begun = perf_counter()
        world = drawn_world(machine, seed)
        known, practice = ready_world(machine, world), Practice(policy=own.policy)
        drawn = list(_brought_in(known, practice, own.orders, seed))
        truth = truth_of(machine, world, model)
        row = {"parts by chance": by_chance(model, truth, own.orders)}
        for name, evidence in (
            ("complete", complete(ready, model, drawn)),
            ("all tests", all_tests(ready, known, model, drawn)),
        ):
            row |= figures(name, model, scaled(model, fit(evidence)).log_ratio, truth)
        kept = simulated_orders(machine, own.orders, seed, truth=world, practice=practice)
        done = refit(pd.DataFrame(kept.orders), pd.DataFrame(kept.steps), machine)
        row |= figures("worked", model, done.known.log_ratio, truth)
        row |= {"spread": done.fitted.spread, "s": perf_counter() - begun}
        rows.append(row)
        tell(f"world {seed}", row)
    tell("mean", pd.DataFrame(rows).mean().to_dict())


if __name__ == "__main__":
    main()
