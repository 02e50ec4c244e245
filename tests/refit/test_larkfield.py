"""The demonstration's orders: made again from their seed, and read with nothing lost."""

from __future__ import annotations

import csv
from itertools import islice
from pathlib import Path

import pytest

from diagnose.refit.tables import Tables, read_tables
from tests.refit.larkfield import (
    MACHINES,
    ORDER_COLUMNS,
    STEP_COLUMNS,
    dirty_orders,
    table,
)

DATA = Path(__file__).parents[2] / "datasets"
ORDERS, STEPS, WORDS = (DATA / f"larkfield_{name}.csv" for name in ("orders", "steps", "words"))
AGAIN = 12
"""Orders made again; they begin the file."""


@pytest.fixture(scope="module")
def tables() -> Tables:
    return read_tables(ORDERS, STEPS, MACHINES[0], WORDS)


def test_the_first_orders_are_made_again_from_the_seed() -> None:
    orders, steps = dirty_orders(MACHINES[0], AGAIN)
    for file, rows, columns in ((ORDERS, orders, ORDER_COLUMNS), (STEPS, steps, STEP_COLUMNS)):
        made = list(csv.DictReader(table(rows, columns).splitlines()))
        with file.open(encoding="utf-8", newline="") as kept:
            assert list(islice(csv.DictReader(kept), len(made))) == made


def test_the_files_are_small_enough_to_be_shipped() -> None:
    assert ORDERS.stat().st_size + STEPS.stat().st_size < 2_000_000


def test_nearly_all_can_be_used_and_the_rest_is_told(tables: Tables) -> None:
    for counts in tables.counts.values():
        assert counts["read"] == sum(counts[n] for n in ("used", "refused", "of_other_machines"))
    assert tables.counts["orders"]["used"] > 330
    assert len(tables.refused_orders) == tables.counts["orders"]["refused"]
    assert tables.refused_steps["reasons"].notna().all()


def test_every_kind_of_dirt_is_in_it(tables: Tables) -> None:
    """The list of what real exports hold, one remark for each."""
    wanted = {
        "the same row again",
        "an earlier state of the same order",
        "closed before it was opened",
        "the file has version 1",
        "is empty",
        "no such complaint",
        "no such cause",
        "several causes in one order",
        "shop's own words",
        "is spelled another way",
        "has a comma, or a unit of its own",
        "has no offset, or is not in ISO 8601",
        "a reading in another unit than V",
        "no unit of a reading in V",
        "no meter shows this here",
        "is out of range",
        "is no number",
        "no order has this id",
        "no such test",
        "no check after the repair",
        "a second job in one order",
    }
    assert wanted <= set(tables.problems["problem"])
    orders, steps = tables.of(MACHINES[0])
    assert not orders["order_id"].isin(steps["order_id"]).all()  # some have no steps


def test_the_mapping_leaves_only_what_was_met_once(tables: Tables) -> None:
    bare = read_tables(ORDERS, STEPS, MACHINES[0])
    assert len(tables.unmapped) < len(bare.unmapped)
    causes = tables.unmapped[tables.unmapped["what"] == "cause"]
    assert causes["times"].max() == 1
