"""Patterns counted from Parquet: as those counted from tables, in any split."""

from __future__ import annotations

import os
import signal
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from distributed import Client, LocalCluster

from diagnose.refit.large import counted_from
from diagnose.refit.patterns import Counted, counted
from diagnose.refit.refit import by_order, refit_counted, rows_of
from diagnose.trial.orders import Practice, simulated_orders
from tests.belief.lift import calm

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Counted]:
    """Orders with all that makes counting hard, and their patterns by the plain way."""
    machine = calm()[0].machine
    practice = Practice(held=100, readings=True, without_steps=0.05, wrong_words=0.1)
    kept = simulated_orders(machine, 400, 3, practice=practice)
    orders, steps = pd.DataFrame(kept.orders), pd.DataFrame(kept.steps)
    rng = np.random.default_rng(1)
    found = steps.index[steps["kind"] == "finding"]
    bare = steps.loc[found[rng.random(len(found)) < 0.05], :]
    steps.loc[bare.index[bare["reading"].notna()], "outcome"] = None
    twice = steps.loc[found[rng.random(len(found)) < 0.02], :].assign(kind="looked_again")
    undone = twice.head(5).assign(kind="undone")
    steps = pd.concat(
        [steps, twice.assign(seq=twice["seq"] + 0.4), undone.assign(seq=undone["seq"] + 0.6)]
    )
    steps["seq"] = steps.groupby("order_id")["seq"].rank().astype(int)
    steps = steps.sort_values(["order_id", "seq"])
    plain = counted(machine, rows_of(orders), by_order(steps))
    folder = tmp_path_factory.mktemp("orders")
    orders.sample(frac=1.0, random_state=1).to_parquet(folder / "orders.parquet")
    steps.sample(frac=1.0, random_state=2).to_parquet(folder / "steps.parquet")
    return folder / "orders.parquet", folder / "steps.parquet", plain


def same(found: Counted, plain: Counted) -> bool:
    return (
        [p.key for p in found.patterns] == [p.key for p in plain.patterns]
        and found.counts.tolist() == plain.counts.tolist()
        and found.aside == plain.aside
    )


@pytest.mark.parametrize("pieces", [1, 2, 7])
def test_any_split(files: tuple[Path, Path, Counted], pieces: int) -> None:
    """The plain count of the same tables, order by order."""
    orders, steps, plain = files
    assert len(plain.patterns) > 50
    assert plain.counts.max() > 3
    assert same(counted_from(calm()[0].machine, orders, steps, pieces=pieces), plain)


def test_anywhere(files: tuple[Path, Path, Counted]) -> None:
    """The same on threads, in whatever order they end."""
    orders, steps, plain = files
    with ThreadPoolExecutor(2) as pool:
        found = counted_from(calm()[0].machine, orders, steps, pieces=5, executor=pool)
    assert same(found, plain)


def test_patterns_worked_out_anywhere_give_the_same_bits(files: tuple[Path, Path, Counted]) -> None:
    """What a pattern tells does not depend on which ones were worked out before it."""
    machine, told = calm()[0].machine, files[2]
    here = refit_counted(machine, told, spreads=(0.4,))
    with ThreadPoolExecutor(1) as pool:
        there = refit_counted(machine, told, spreads=(0.4,), executor=pool, pieces=5)
    assert (here.evidence.like == there.evidence.like).all()
    assert (here.fitted.log_ratio == there.fitted.log_ratio).all()
    assert here.evidence.orders == told.orders


def test_a_worker_that_is_killed_changes_nothing(files: tuple[Path, Path, Counted]) -> None:
    """One of two processes of a Dask cluster is killed once a piece has come back; its pieces are
    counted again, and the sums are whole numbers: the same patterns, the same counts."""
    orders, steps, plain = files
    with (
        LocalCluster(2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        before = client.run(os.getpid)

        def kill(done: int, _: int) -> None:
            if done == 1:
                os.kill(next(iter(before.values())), signal.SIGKILL)

        found = counted_from(
            calm()[0].machine, orders, steps, pieces=12, executor=client.get_executor(),
            progress=kill,
        )  # fmt: skip
        client.wait_for_workers(2, timeout=60)
        after = client.run(os.getpid)
    assert len(set(before.values()) & set(after.values())) == 1
    assert same(found, plain)


def test_on_a_cluster(files: tuple[Path, Path, Counted]) -> None:
    """The same on a Dask cluster."""
    orders, steps, plain = files
    with (
        LocalCluster(2, processes=False, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        pool = client.get_executor()
        found = counted_from(calm()[0].machine, orders, steps, pieces=4, executor=pool)
    assert same(found, plain)
