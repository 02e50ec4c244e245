"""Small random machines, for which the best policy can be worked out."""

from __future__ import annotations

import numpy as np

from diagnose.decision.problem import DecisionProblem, RepairTable, TestTable, make_tables

N_FAULTS, N_TESTS, N_PROBES = 8, 7, 4
AREA_PARENT = (-1, 0, -1)
"""Three areas, the second inside the first."""


def small_problem(  # noqa: PLR0913 - one argument for each thing that is spread
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
    escalate_minutes: float = 180.0,
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
        escalate_minutes: handing over.
    """
    n_repairs, n_faults = len(repair_minutes), len(prior)
    none = n_faults
    fixes = np.eye(n_repairs, n_faults, dtype=np.int8)
    after = np.tile(np.arange(n_faults + 1, dtype=np.int32), (n_repairs, 1))
    after[np.arange(n_repairs), np.arange(n_repairs)] = none
    faults_of = np.append(np.arange(n_faults), -1)[:, None].astype(np.int32)
    padded = [np.vstack([one, np.full((1, one.shape[1]), 1.0 / one.shape[1])]) for one in chances]
    n_tests = len(test_minutes)
    names = tuple(f"fault_{f}" for f in range(n_faults))
    minutes, parents = np.array(area_minutes), np.array(area_parent, dtype=np.int32)
    repairs = RepairTable(
        names=tuple(f"{name}.replace" for name in names[:n_repairs]),
        minutes=np.asarray(repair_minutes, dtype=np.float64),
        area=np.asarray(repair_area or [-1] * n_repairs, dtype=np.int32),
        fixes=fixes,
        part=np.arange(n_repairs, dtype=np.int32),
        new_part=np.ones(n_repairs, dtype=bool) if new_part is None else new_part,
        after=after,
        bad=np.zeros((n_repairs, n_faults)),
        joined=np.full((n_faults + 1, n_faults), -1, dtype=np.int32),
    )
    return DecisionProblem(
        machine="small",
        complaint="does_not_start",
        faults=tuple((name, "failed") for name in names),
        part_of=np.arange(n_faults, dtype=np.int32),
        prior=np.append(np.asarray(prior, dtype=np.float64) / np.sum(prior), 0.0),
        same=np.append(np.ones(n_faults), 0.0),
        tests=TestTable(
            names=tuple(f"test_{t}" for t in range(n_tests)),
            minutes=np.asarray(test_minutes, dtype=np.float64),
            area=np.asarray(test_area or [-1] * n_tests, dtype=np.int32),
            needs=(0,) * n_tests,
            again=np.zeros(n_tests, dtype=bool),
            slip=np.zeros(n_tests),
            order=tuple(range(n_tests)),
        ),
        repairs=repairs,
        tables=make_tables(
            padded, faults_of, np.ones(n_faults), repairs, minutes, parents, check_minutes
        ),
        area_names=tuple(f"area_{a}" for a in range(len(area_minutes))),
        area_minutes=minutes,
        area_parent=parents,
        check_minutes=check_minutes,
        escalate_minutes=escalate_minutes,
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
