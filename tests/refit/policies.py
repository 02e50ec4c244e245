"""Whether it matters how a shop works: a long run, not a test.

    python -m tests.refit.policies --orders 500 --worlds 3

The same machines come to three shops: one works by the advice, one measures along the wiring, one
repairs what is nine tenths sure. Each shop's orders are refitted by themselves. Printed for each:
how far rates are off, and how many 90 % intervals hold the truth; for each pair of shops, how many
rates differ by less than the 90 % point of their difference, were they independent.
"""

from __future__ import annotations

import argparse
from itertools import combinations
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.machine.load import load_machine
from diagnose.refit.refit import refit
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world
from tests.refit.recover import off_by, tell, truth_of

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.refit.result import Refit

POLICIES = ("gate", "source_to_load", "certainty_90")
Z_90 = 1.644854


def shops_of(
    machine: Machine, world: Machine, orders: int, seed: int, held: int = 300
) -> dict[str, Refit]:
    """Policy -> the refit of its orders; the machines that come are the same ones."""
    found = {}
    for policy in POLICIES:
        practice = Practice(policy=policy, held=held)
        made = simulated_orders(machine, orders, seed, truth=world, practice=practice)
        found[policy] = refit(pd.DataFrame(made.orders), pd.DataFrame(made.steps), machine)
    return found


def holds(done: Refit, truth: np.ndarray) -> np.ndarray:
    """(rates,) whether each 90 % interval holds the truth."""
    n = done.evidence.model.n_rates
    wide = Z_90 * np.sqrt(np.diag(done.known.covariance))[:n]
    return np.abs(done.known.log_ratio[:n] - truth[:n]) < wide


def agree(first: Refit, second: Refit) -> np.ndarray:
    """(rates,) whether two shops' rates differ by no more than their intervals let them."""
    n = first.evidence.model.n_rates
    both = [np.diag(done.known.covariance)[:n] for done in (first, second)]
    apart = np.abs(first.known.log_ratio[:n] - second.known.log_ratio[:n])
    return apart < Z_90 * np.sqrt(both[0] + both[1])


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machine", default="push_mower")
    options.add_argument("--orders", type=int, default=500)
    options.add_argument("--worlds", type=int, default=2)
    options.add_argument("--first", type=int, default=1)
    own = options.parse_args()
    machine, rows = load_machine(own.machine), []
    for seed in range(own.first, own.first + own.worlds):
        begun, row = perf_counter(), dict[str, float]()
        world = drawn_world(machine, seed)
        shops = shops_of(machine, world, own.orders, seed)
        for policy, done in shops.items():
            model = done.evidence.model
            truth = truth_of(machine, world, model)
            row[f"{policy} error"] = off_by(model, done.known.log_ratio, truth)
            row[f"{policy} held"] = float(holds(done, truth).mean())
        for first, second in combinations(shops, 2):
            row[f"{first} and {second}"] = float(agree(shops[first], shops[second]).mean())
        row["s"] = perf_counter() - begun
        rows.append(row)
        tell(f"world {seed}", row)
    tell("mean", pd.DataFrame(rows).mean().to_dict())


if __name__ == "__main__":
    main()
