"""What refitted rates are worth in minutes: a long run, not a test.

    python -m tests.refit.minutes --worlds 8 --jobs 400
    python -m tests.refit.minutes --worlds 8 --jobs 400 --right

In each world the machine's rates are off by `exp(N(0, 0.8))`, mode by mode and cause by cause, or,
with `--right`, just as the file has them. A shop works orders by the file's advice; rates are
refitted after the first of them. Then the same jobs are worked by the advice of the file, of each
refit and of the true rates, with the same random numbers. Minutes are those of finding out: what a
job takes, parts, errors and handing over included, above what it takes if one knows what is wrong.
Tests keep the file's minutes throughout, so that rates, words and slips alone make the difference.

Whatever changes the order of a few tests changes single jobs by minutes either way, so thousands
of jobs are needed to see a tenth of a minute. Decided is on a belief thinned to 300 sets without
second looks, as simulated shops do it; by the whole belief minutes are higher (`diagnose trial`).
Printed are means over worlds, the standard error between worlds, and the error that jobs leave
within them.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.ahead.play import Dice, job_generator, play
from diagnose.ahead.policies import make_policy
from diagnose.ahead.problem import thinned_problem
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Situation
from diagnose.machine.load import load_machine
from diagnose.refit.refit import refit
from diagnose.rule.prepared import prepared
from diagnose.trial.orders import Practice, _brought_in, simulated_orders
from diagnose.trial.shop import Shop
from diagnose.trial.worlds import drawn_world, ready_world

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.rule.prepared import Prepared

HELD = 300
PLAYED_SEED = 7_000_000
"""Jobs that are played have seeds of their own: those of the orders are not among them."""


class Advised:
    """A policy that decides by what one machine file believes, complaint by complaint."""

    def __init__(self, believed: Prepared, held: int = HELD) -> None:
        self._believed, self._held, self._policy = believed, held, make_policy("gate")
        self._benches: dict[str, ProblemBench] = {}
        self._decided: dict[str, dict] = {}

    def bench(self, complaint: str) -> ProblemBench:
        if complaint not in self._benches:
            belief = self._believed.belief(Situation(complaint))
            problem = thinned_problem(self._believed, complaint, belief, self._held)
            self._benches[complaint], self._decided[complaint] = ProblemBench(problem), {}
        return self._benches[complaint]

    def minutes(self, complaint: str, shop: Shop, dice: Dice) -> float:
        """Of one job, the price of parts included."""
        bench, decided = self.bench(complaint), self._decided[complaint]

        def decide(state) -> int:
            if state.key not in decided:
                decided[state.key] = self._policy(bench, state)
            return decided[state.key]

        return float(play(bench, shop, decide, dice).minutes)


def finding_minutes(truth: Prepared, advised: list[Advised], jobs: int, seed: int) -> np.ndarray:
    """(advised, jobs) minutes of finding out, the same jobs for each."""
    shops: dict[str, Shop] = {}
    found = np.empty((len(advised), jobs))
    for job, (complaint, drawn) in enumerate(_brought_in(truth, Practice(), jobs, seed)):
        shop = shops.setdefault(complaint, Shop(truth, complaint))
        n_tests = advised[0].bench(complaint).costs.n_tests
        known = shop.known_minutes(drawn)
        for place, own in enumerate(advised):
            dice = Dice.throw(drawn, n_tests, job_generator(seed, job + 1))
            found[place, job] = own.minutes(complaint, shop, dice) - known
    return found


def one_world(
    machine: Machine, seed: int, after: tuple[int, ...], jobs: int, *, right: bool
) -> tuple[np.ndarray, float]:
    """(file, each refit, truth; jobs) minutes of finding out, and seconds."""
    begun = perf_counter()
    world = machine if right else drawn_world(machine, seed)
    truth = prepared(machine) if right else ready_world(machine, world)
    tables = simulated_orders(machine, max(after), seed, truth=world)
    orders, steps = pd.DataFrame(tables.orders), pd.DataFrame(tables.steps)
    number = orders["order_id"].str.split("_").str[1].astype(int)
    advised = [Advised(prepared(machine))]
    for count in after:
        known = refit(orders[number <= count], steps, machine).overlay()
        advised.append(Advised(prepared(replace(known, minutes={}).applied(machine))))
    if not right:
        advised.append(Advised(truth))
    found = finding_minutes(truth, advised, jobs, PLAYED_SEED + seed)
    if right:  # the file is the truth
        found = np.concatenate([found, found[:1]])
    return found, perf_counter() - begun


def error_of(values: np.ndarray) -> float:
    return float(np.std(values, ddof=1) / np.sqrt(len(values))) if len(values) > 1 else np.nan


def table_of(found: list[np.ndarray], names: list[str]) -> pd.DataFrame:
    """One row for each priors: minutes, what they save against the file, and how sure that is."""
    mean = np.array([world.mean(axis=1) for world in found])  # (worlds, priors)
    saved = mean[:, :1] - mean
    within = np.array([[error_of(world[0] - row) for row in world] for world in found])
    over = mean - mean[:, -1:]
    return pd.DataFrame(
        {
            "priors": names,
            "finding": mean.mean(axis=0),
            "saved": saved.mean(axis=0),
            "error": [error_of(column) for column in saved.T],
            "of_jobs": np.sqrt((within**2).sum(axis=0)) / len(found),
            "share": saved.mean(axis=0) / (saved[:, -1].mean() or np.nan),
            "over_truth_percent": 100.0 * over.mean(axis=0) / mean[:, -1].mean(),
            "error_percent": [100.0 * error_of(c) / mean[:, -1].mean() for c in over.T],
        }
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machine", default="push_mower")
    options.add_argument("--worlds", type=int, default=4)
    options.add_argument("--first", type=int, default=1)
    options.add_argument("--jobs", type=int, default=300)
    options.add_argument("--after", type=int, nargs="*", default=[20, 100, 500])
    options.add_argument("--right", action="store_true", help="the file's rates are the true ones")
    own = options.parse_args()
    machine, after = load_machine(own.machine), tuple(own.after)
    names = ["file", *(f"after {count}" for count in after), "truth"]
    found = []
    for seed in range(own.first, own.first + own.worlds):
        minutes, seconds = one_world(machine, seed, after, own.jobs, right=own.right)
        found.append(minutes)
        row = ", ".join(f"{n} {m:.2f}" for n, m in zip(names, minutes.mean(axis=1), strict=True))
        sys.stdout.write(f"world {seed}: {row} ({seconds:.0f} s)\n")
        sys.stdout.flush()
    with pd.option_context("display.width", 120, "display.float_format", "{:.3f}".format):
        sys.stdout.write(f"{own.machine}\n{table_of(found, names).to_string(index=False)}\n")


if __name__ == "__main__":
    main()
