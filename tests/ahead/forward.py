"""A job carried forward by hand, over every set of up to three faults of the barn cart.

Priors are those of `file_priors`, readings come straight from the circuit; a repair and the check
after it are products written out. Sets of four faults hold less than a thousandth of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import outcome_chances
from diagnose.job import prepare
from tests.ahead.file_priors import joint, sets_up_to
from tests.commands.carts import CART

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.belief.situation import Finding, RepairDone, Situation
    from diagnose.rule.prepared import Prepared

MOST = 3
NEW_BAD = 0.005
"""`new_part_bad_per_1000` of the cart's shop."""


def cart() -> Prepared:
    return prepare(CART)


@dataclass(frozen=True, eq=False)
class Sets:
    """Fault sets with what the file and the circuit say of them.

    Attributes:
        sets: fault numbers of each.
        row: set -> row.
        prior: (sets,)
        readings: (sets, observables, 2)
    """

    sets: list[tuple[int, ...]]
    row: dict[tuple[int, ...], int]
    prior: np.ndarray
    readings: np.ndarray


@cache
def every_set() -> Sets:
    ready = cart()
    sets = sets_up_to(ready.faults, MOST)
    prior = joint(ready.machine, [tuple(ready.faults[f] for f in one) for one in sets]).sum(axis=1)
    row = {one: place for place, one in enumerate(sets)}
    return Sets(sets, row, prior, ready.behaviour.readings(sets))


def at_levels(of: Sets, wanted: Mapping[str, tuple[str, ...]]) -> np.ndarray:
    """(sets, 2) whether functions are at some of their levels."""
    functions, column = cart().machine.functions, cart().behaviour.column
    found = np.ones((len(of.sets), 2), dtype=bool)
    for name, accepted in wanted.items():
        levels = [level.id for level in functions[name].levels]
        found &= np.isin(of.readings[:, column[name]], [levels.index(one) for one in accepted])
    return found


def fits(of: Sets, complaint: str) -> np.ndarray:
    """(sets, 2) whether the cart does what a complaint says."""
    return at_levels(of, cart().machine.complaints[complaint].says)


def works(of: Sets) -> np.ndarray:
    """(sets, 2) whether the cart does what its file says of a cart that works."""
    return at_levels(of, cart().machine.works)


def amiss(of: Sets) -> np.ndarray:
    """(sets, 2) whether there is something to complain of."""
    return fits(of, "silent") | fits(of, "slow_crank") | ~works(of)


def told(of: Sets, complaint: str) -> np.ndarray:
    """(sets,) chance of the customer's words.

    They are right in 85 of 100 jobs; the other 15 fall on the cart's one other complaint; one in
    1 000 complains of a cart that works. Estimates of the project.
    """
    words = np.where(fits(of, complaint), 0.85, np.where(amiss(of), 0.15, 0.001))
    return words.mean(axis=1)


def shows(of: Sets, shown: str, way: int | None = None) -> np.ndarray:
    """(sets,) chance that trying the cart shows something; `way` as in `likelihood`.

    It can show four things: it runs, it is silent, it turns slowly, it does something else. Five
    times in 1 000 the check is taken for any of them.
    """
    silent, slow = fits(of, "silent"), fits(of, "slow_crank")
    share = {
        "runs": ~amiss(of),
        "silent": silent,
        "slow_crank": slow,
        "other": amiss(of) & ~silent & ~slow,
    }
    seen = share[shown].astype(float)
    ways = [np.where(loose(of), seen[:, k], seen.mean(axis=1)) for k in (0, 1)]
    each = [seen.mean(axis=1), *ways]
    return 0.00125 + 0.995 * (np.array(WAYS) @ np.array(each) if way is None else each[way])


WAYS = (0.5, 0.3, 0.2)
"""A loose joint comes and goes, stays in contact through the job, or stays without. Estimates."""


@cache
def loose(of: Sets) -> np.ndarray:
    """(sets,) whether a joint is loose."""
    return np.array([any(cart().faults[f][1] == "loose" for f in one) for one in of.sets])


def likelihood(of: Sets, finding: Finding, way: int | None = None) -> np.ndarray:
    """(sets,) of an outcome that is sure, with loose joints in one of `WAYS`; None: in any."""
    if way is None:
        each = [likelihood(of, finding, number) for number in range(len(WAYS))]
        return np.array(WAYS) @ np.array(each)
    ready = cart()
    test = ready.machine.tests[finding.test]
    place = [outcome.id for outcome in test.outcomes].index(finding.outcome)
    values = of.readings[:, ready.behaviour.column_of(test)]
    if way and test.kind != "wiggle":
        held = values[:, [way - 1, way - 1]]
        values = np.where(loose(of)[:, None], held, values)
    return outcome_chances(test, values)[:, place]


def after_repair(of: Sets, weight: np.ndarray, done: RepairDone) -> np.ndarray:
    """(sets,) weights with the repair done, whatever the check shows."""
    found = np.zeros(len(weight))
    before, after, chance = moves(of, done.part, done.repair)
    np.add.at(found, after, weight[before] * chance)
    return found


@cache
def moves(of: Sets, part_id: str, repair_id: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where a repair leads: rows before it, rows after it, and with what chance."""
    ready = cart()
    part = ready.machine.parts[part_id]
    repair = next(one for one in part.repairs if one.id == repair_id)
    own = [f for f, (name, _) in enumerate(ready.faults) if name == part.id]
    fixed = {f for f in own if ready.faults[f][1] in repair.fixes}
    modes = [part.modes[ready.faults[f][1]].per_1000_jobs for f in own]
    bad = NEW_BAD if repair.id == "replace" else 0.0
    led = []
    for row, faults in enumerate(of.sets):
        left = tuple(f for f in faults if f not in fixed)
        stays = 1.0
        for fault, rate in zip(own, modes, strict=True):
            joined = tuple(sorted((*left, fault)))
            if not set(left) & set(own) and joined in of.row:
                led.append((row, of.row[joined], bad * rate / sum(modes)))
                stays -= bad * rate / sum(modes)
        led.append((row, of.row[left], stays))
    before, after, chance = (np.array(column) for column in zip(*led, strict=True))
    return before, after, chance


def weights_of(situation: Situation) -> np.ndarray:
    """(sets,) what is believed of the cart as it stands now."""
    return weights_by_way(situation).sum(axis=0)


def weights_by_way(situation: Situation) -> np.ndarray:
    """(ways, sets) the same, for each of `WAYS` in which loose joints stand."""
    weights = [share * _weights_in(situation, way) for way, share in enumerate(WAYS)]
    return np.array(weights) / np.sum(weights)


def _weights_in(situation: Situation, way: int) -> np.ndarray:
    """(sets,) not normalised, with loose joints standing in one way."""
    of = every_set()
    weight = of.prior * told(of, situation.complaint)
    for epoch in situation.past:
        for finding in epoch.findings:
            weight = weight * likelihood(of, finding, way)
        weight = after_repair(of, weight, epoch.repair)
        if epoch.repair.check is not None:
            weight = weight * shows(of, epoch.repair.check, way)
    for finding in situation.findings:
        weight = weight * likelihood(of, finding, way)
    return weight


def marginals(weight: np.ndarray) -> np.ndarray:
    """(faults,) probability of each fault."""
    of, found = every_set(), np.zeros(len(cart().faults))
    for row, share in zip(of.sets, weight.tolist(), strict=True):
        found[list(row)] += share
    return found
