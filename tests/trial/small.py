"""Small random machines, for which the best policy can be worked out."""

from __future__ import annotations

import numpy as np

from diagnose.ahead.problem import DecisionProblem
from diagnose.belief.survey import SetTables
from diagnose.faults.chances import entropy_bits
from diagnose.rule.costs import RepairCosts, TestCosts, make_costs

N_FAULTS, N_TESTS, N_PROBES = 8, 7, 4
AREA_PARENT = (-1, 0, -1)
"""Three areas, the second inside the first."""


def small_problem(
    prior: np.ndarray,
    chances: list[np.ndarray],
    test_minutes: list[float],
    repair_minutes: list[float],
    *,
    test_area: list[int] | None = None,
    repair_area: list[int] | None = None,
    area_minutes: tuple[float, ...] = (),
    area_parent: tuple[int, ...] = (),
    new_part: np.ndarray | None = None,
    check_minutes: float = 2.0,
    hand_over_minutes: float = 180.0,
) -> DecisionProblem:
    """A problem with exactly one fault at a time, one repair for each, and perfect checks.

    Args:
        prior: (faults,) or (faults + 1,) probabilities; the last one of the longer form is a
            fault that no repair fixes.
        chances: for each test (len(prior), outcomes) P(outcome | fault).
        test_minutes: of each test.
        repair_minutes: of each fault's repair.
        test_area: area of each test, -1 for none; default: none.
        repair_area: the same of each repair.
        area_minutes: to open each area.
        area_parent: area that each lies in, -1 for none.
        new_part: (repairs,) whether each fits a new part; default: all do.
        check_minutes: after every repair.
        hand_over_minutes: handing over.
    """
    n_repairs, n_faults, n_tests = len(repair_minutes), len(prior), len(test_minutes)
    after = np.tile(np.arange(n_faults + 1), (n_repairs, 1))
    after[np.arange(n_repairs), np.arange(n_repairs)] = n_faults
    same = np.append(np.ones(n_faults), 0.0)
    padded = [np.vstack([one, np.full((1, one.shape[1]), 1.0 / one.shape[1])]) for one in chances]
    repairs = RepairCosts(
        names=tuple(f"fault_{f}.replace" for f in range(n_repairs)),
        minutes=np.asarray(repair_minutes, dtype=np.float64),
        area=np.asarray(repair_area or [-1] * n_repairs, dtype=np.int64),
        fixes=np.eye(n_repairs, n_faults, dtype=np.int8),
        new_part=np.ones(n_repairs, dtype=bool) if new_part is None else new_part,
    )
    tests = TestCosts(
        names=tuple(f"test_{t}" for t in range(n_tests)),
        minutes=np.asarray(test_minutes, dtype=np.float64),
        area=np.asarray(test_area or [-1] * n_tests, dtype=np.int64),
        needs=(0,) * n_tests,
        again=np.zeros(n_tests, dtype=bool),
    )
    return DecisionProblem(
        costs=make_costs(
            tests,
            repairs,
            tuple(f"area_{a}" for a in range(len(area_minutes))),
            np.array(area_minutes),
            area_parent,
            check_minutes=check_minutes,
            hand_over_minutes=hand_over_minutes,
        ),
        prior=np.append(np.asarray(prior, dtype=np.float64) / np.sum(prior), 0.0),
        tables=SetTables(
            start=np.cumsum([0, *(one.shape[1] for one in padded)]).astype(np.int32),
            like=np.concatenate([np.zeros((n_faults + 1, 0)), *padded], axis=1),
            noise=np.array([entropy_bits(one) for one in padded]).reshape(n_tests, n_faults + 1).T,
            members=np.arange(n_faults + 1)[:, None],
        ),
        explains=np.ones(n_faults),
        checks=np.stack([1.0 - same, same], axis=1),
        after=after,
        bad=np.zeros((n_repairs, n_faults)),
        joined=np.full((n_faults + 1, n_faults), -1),
        part_of=np.arange(n_faults),
    )


def random_problem(seed: int) -> DecisionProblem:
    """Eight faults and an unlisted one, seven noisy tests, three areas of which two nest.

    Everything is spread as in the shipped machines: priors, minutes and prices lognormal with
    their medians and quartiles, slips of 1 to 2 %, every other
    repair with a new part, three parts in four behind something to open.
    Four tests are probes along a chain, three look at one to three parts.
    """
    rng = np.random.default_rng(seed)
    prior = np.append(rng.lognormal(np.log(5.0), 1.0, N_FAULTS), 4.0)
    chances = [
        _yes_no(_seen(rng, probe=test < N_PROBES), rng.uniform(0.01, 0.02))
        for test in range(N_TESTS)
    ]
    n_areas = len(AREA_PARENT)
    return small_problem(
        prior,
        chances,
        list(rng.lognormal(np.log(0.65), 0.55, N_TESTS)),
        list(rng.lognormal(np.log(15.0), 1.0, N_FAULTS)),
        test_area=list(rng.integers(-1, n_areas, N_TESTS)),
        repair_area=list(rng.integers(-1, n_areas, N_FAULTS)),
        area_minutes=tuple(rng.uniform(0.4, 6.0, n_areas)),
        area_parent=AREA_PARENT,
        new_part=rng.random(N_FAULTS) < 0.5,
    )


def _seen(rng: np.random.Generator, *, probe: bool) -> np.ndarray:
    """(faults + 1,) which faults a test shows; never the unlisted one."""
    seen = np.zeros(N_FAULTS + 1, dtype=bool)
    if probe:
        seen[: rng.integers(1, N_FAULTS)] = True
    else:
        seen[rng.choice(N_FAULTS, rng.integers(1, 4), replace=False)] = True
    return seen


def _yes_no(seen: np.ndarray, slip: float) -> np.ndarray:
    yes = np.where(seen, 1.0 - slip, slip)
    return np.stack([yes, 1.0 - yes], axis=1)


def problem_with_areas(
    seed: int, faults: int, tests: int, sharpness: float = 1.0
) -> DecisionProblem:
    """Any small problem in which some tests and repairs need one of two areas, one in the other.

    Args:
        seed: of the random numbers.
        faults: how many, with a repair for each.
        tests: how many, with two and three outcomes in turn.
        sharpness: the smaller, the more a test tells.
    """
    rng = np.random.default_rng(seed)
    return small_problem(
        rng.dirichlet(np.ones(faults)),
        [rng.dirichlet(np.full(2 + t % 2, sharpness), faults) for t in range(tests)],
        list(rng.uniform(0.5, 5.0, tests)),
        list(rng.uniform(5.0, 60.0, faults)),
        test_area=list(rng.integers(-1, 2, tests)),
        repair_area=list(rng.integers(-1, 2, faults)),
        area_minutes=(3.0, 4.0),
        area_parent=(-1, 0),
        hand_over_minutes=90.0,
    )
