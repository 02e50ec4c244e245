"""How well refitting finds the rates of invented worlds: a long run, not a test.

    python -m tests.refit.recover --orders 500 --worlds 6
    python -m tests.refit.recover --orders 5000 --worlds 2 --policy certainty_90

Each world has the machine's rates times `exp(N(0, 0.8))`, mode by mode and cause by cause. Printed
for each, and in the mean: how far rates are off in the file, as fitted, and as named causes count
them, as the root mean square of the logarithm weighted by how often each mode is the fault; the
total variation of faults by part; how many 90 % intervals hold the truth. Rates are counted by
jobs, so the truth is scaled to the file's sum.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.faults.words import UNLISTED
from diagnose.machine.load import load_machine
from diagnose.refit.refit import refit
from diagnose.trial.orders import Practice, Tables, simulated_orders
from diagnose.trial.worlds import drawn_world, ready_world

if TYPE_CHECKING:
    from diagnose.refit.result import Refit


def truth_of(machine, world, model) -> np.ndarray:
    """(parameters,) logarithm of each true rate over the shipped one, at the file's sum."""
    marginal = ready_world(machine, world).behaviour.priors
    found = np.zeros(model.n)
    found[: model.n_faults] = np.log(
        marginal / model.marginal * model.marginal.sum() / marginal.sum()
    )
    causes = [world.shared_causes[c].per_1000_jobs / 1000.0 for c in model.causes[: model.n_free]]
    found[model.n_faults : model.n_rates] = np.log(np.array(causes) / model.chance)
    return found


def off_by(model, fitted: np.ndarray, truth: np.ndarray) -> float:
    """Root mean square of how far rates are off, weighted by the true ones; modes of the file."""
    own = np.array([part != UNLISTED for part, _ in model.faults])
    weight = (model.marginal * np.exp(truth[: model.n_faults]))[own]
    off = (fitted - truth)[: model.n_faults][own]
    return float(np.sqrt(np.average(off**2, weights=weight)))


def by_part_off(model, fitted: np.ndarray, truth: np.ndarray) -> float:
    """Total variation between two answers to which part it is."""
    n = model.n_faults
    both = [np.bincount(model.part_of, model.marginal * np.exp(x[:n])) for x in (fitted, truth)]
    shares = [own / own.sum() for own in both]
    return float(0.5 * np.abs(shares[0] - shares[1]).sum())


def named_counts(model, tables: Tables) -> np.ndarray:
    """What counting named causes gives, with as many cases of the file as help it most often."""
    named = Counter((o.get("cause_part"), o.get("cause_mode")) for o in tables.orders)
    hits = np.array([named[fault] for fault in model.faults], dtype=np.float64)
    share = model.marginal / model.marginal.sum()
    cases = 6.25 * len(share) / 4.0
    found = np.zeros(model.n)
    found[: model.n_faults] = np.log((hits + cases * share) / (hits.sum() + cases) / share)
    return found


def figures(done: Refit, tables: Tables, truth: np.ndarray) -> dict[str, float]:
    model, known = done.evidence.model, done.known
    sure = np.sqrt(np.diag(known.covariance))
    holds = (np.abs(known.log_ratio - truth) < 1.644854 * sure)[: model.n_rates]
    learnt = known.learnt[: model.n_rates] >= 0.5
    none = np.zeros(model.n)
    return {
        "shipped": off_by(model, none, truth),
        "named": off_by(model, named_counts(model, tables), truth),
        "fitted": off_by(model, known.log_ratio, truth),
        "parts shipped": by_part_off(model, none, truth),
        "parts fitted": by_part_off(model, known.log_ratio, truth),
        "covered": float(holds.mean()),
        "covered learnt": float(holds[learnt].mean()) if learnt.any() else np.nan,
        "learnt": float(learnt.mean()),
        "spread": done.fitted.spread,
        "patterns": float(len(done.counted.patterns)),
    }


def tell(what: str, row: dict[str, float]) -> None:
    line = ", ".join(f"{name} {value:.3g}" for name, value in row.items())
    sys.stdout.write(f"{what}: {line}\n")
    sys.stdout.flush()


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machine", default="standby_pump")
    options.add_argument("--orders", type=int, default=500)
    options.add_argument("--worlds", type=int, default=2)
    options.add_argument("--first", type=int, default=1)
    options.add_argument("--policy", default="gate")
    options.add_argument(
        "--dirty", action="store_true", help="5 %% labels, 15 %% words, a tenth lost"
    )
    options.add_argument("--seen", type=float, default=0.5)
    options.add_argument("--without-steps", type=float, default=0.0, help="share of the orders")
    options.add_argument("--no-handed-over", action="store_true", help="those are not kept")
    own = options.parse_args()
    machine = load_machine(own.machine)
    dirt = {"wrong_cause": 0.05, "wrong_words": 0.15, "lost_steps": 0.1} if own.dirty else {}
    practice = Practice(
        policy=own.policy,
        cause_seen=own.seen,
        without_steps=own.without_steps,
        handed_over=0.0 if own.no_handed_over else 1.0,
        **dirt,
    )
    rows = []
    for seed in range(own.first, own.first + own.worlds):
        world = drawn_world(machine, seed)
        begun = perf_counter()
        tables = simulated_orders(machine, own.orders, seed, truth=world, practice=practice)
        drawn = perf_counter()
        done = refit(pd.DataFrame(tables.orders), pd.DataFrame(tables.steps), machine)
        row = figures(done, tables, truth_of(machine, world, done.evidence.model))
        row |= {"s to draw": drawn - begun, "s to refit": perf_counter() - drawn}
        rows.append(row)
        tell(f"world {seed}", row)
    tell("mean", pd.DataFrame(rows).mean().to_dict())


if __name__ == "__main__":
    main()
