"""The orders of an invented shop over two winters, as its records hold them.

    python -m tests.refit.larkfield            # writes datasets/larkfield_*.csv

Machines fail at other rates than the files say (`drawn_world`), the shop works by the advice of
the files. Then come the ways in which records are kept: words instead of ids, commas, units, rows
twice, two jobs in one order. Everything is drawn from `SEED`, order by order, so that a few orders
can be made again without the others.
"""

from __future__ import annotations

import csv
import io
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from diagnose.machine.load import load_machine
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world
from tests.refit.dirt import Dirt, Row, mapping_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.machine.model import Machine

SEED = 20_241
MACHINES = ("standby_pump", "utility_vehicle", "zero_turn_mower", "compact_tractor")
PREFIX = ("P", "U", "Z", "T")
EACH = 360
"""Orders of each machine, not counting those that come back."""

BEGINS, DAYS = datetime(2024, 10, 1, 7, tzinfo=UTC), 577.0
BY_MONTH = (1.8, 1.5, 1.3, 0.8, 0.4, 0.3, 0.3, 0.3, 0.6, 1.2, 1.5, 1.7)
"""How many machines come in, from January to December; estimate."""

ORDER_COLUMNS = (
    *("order_id", "shop", "shop_reference", "machine", "machine_version", "opened_at", "closed_at"),
    *("complaint_told", "complaint_seen", "ended", "cause_part", "cause_mode", "cause_seen"),
    *("note", "labour_minutes", "comeback_of", "days_to_comeback"),
)
STEP_COLUMNS = (
    *("order_id", "seq", "at", "by", "kind", "test", "outcome", "reading", "unit", "area", "part"),
    *("repair", "fitted_new", "result", "minutes"),
)
HANDS = ("ak", "jo", "mw")


def practice(place: int, share: float) -> Practice:
    """How the shop keeps the orders of one machine; `share` of all are asked for."""
    return Practice(
        shop="larkfield",
        begins=BEGINS,
        days=DAYS * share,
        cause_named=0.85,
        cause_seen=0.55,
        wrong_cause=0.03,
        wrong_words=0.04,
        lost_steps=0.04,
        without_steps=0.05,
        minutes_spread=0.35,
        comeback_days=40.0,
        readings=True,
        first=1 + 1000 * place,
    )


def world_of(machine: Machine, place: int) -> Machine:
    """How the machines of the shop really are."""
    return drawn_world(machine, SEED + place)


def clean_orders(name: str, count: int = EACH) -> tuple[list[Row], list[Row]]:
    """The first orders of one machine as they really went, and their steps."""
    machine, place = load_machine(name), MACHINES.index(name)
    made = simulated_orders(
        machine,
        count,
        SEED + place,
        truth=world_of(machine, place),
        practice=practice(place, count / EACH),
    )
    names = {row["order_id"]: _id(row["order_id"], place) for row in made.orders}
    moved = {row["order_id"]: _moved(row, made.orders) for row in made.orders}
    orders = [_renamed(row, names, moved[row["order_id"]]) for row in made.orders]
    steps = [_renamed(row, names, moved[row["order_id"]]) for row in made.steps]
    for row in steps:
        row["by"] = HANDS[sum(map(ord, row["order_id"])) % len(HANDS)]
        if "reading" in row:
            row["reading"] = float(f"{row['reading']:.4g}")
    for row in orders:
        row["shop_reference"] = f"{row['opened_at'][2:4]}/{row['order_id'][1:5]}"
    return orders, steps


def _id(name: str, place: int) -> str:
    _, number, *again = name.split("_")
    return f"{PREFIX[place]}{int(number) % 1000:04d}{''.join(f'-{a}' for a in again)}"


def _moved(row: Row, orders: list[Row]) -> timedelta:
    """By how much an order moves into the season that it belongs to; comebacks go along."""
    root = next(o for o in orders if o["order_id"] == "_".join(row["order_id"].split("_")[:2]))
    opened = datetime.fromisoformat(root["opened_at"])
    days = np.arange(int(DAYS))
    months = [(BEGINS + timedelta(days=int(day))).month for day in days]
    weight = np.cumsum([BY_MONTH[month - 1] for month in months])
    share = (opened - BEGINS).total_seconds() / 86_400.0 / DAYS
    return timedelta(days=float(np.interp(share, weight / weight[-1], days)) - share * DAYS)


def _renamed(row: Row, names: dict[str, str], by: timedelta) -> Row:
    new = dict(row)
    for column in ("order_id", "comeback_of"):
        if column in new:
            new[column] = names[new[column]]
    for column in ("opened_at", "closed_at", "at"):
        if column in new:
            new[column] = (datetime.fromisoformat(new[column]) + by).isoformat(timespec="seconds")
    return new


def dirty_orders(name: str, count: int = EACH) -> tuple[list[Row], list[Row]]:
    """The same as the records of the shop hold them."""
    orders, steps = clean_orders(name, count)
    by_order: dict[str, list[Row]] = {}
    for row in steps:
        by_order.setdefault(row["order_id"], []).append(row)
    dirt, kept_orders, kept_steps = Dirt(load_machine(name)), list[Row](), list[Row]()
    for row in orders:
        key = [SEED, MACHINES.index(name), *map(ord, row["order_id"])]
        rng = np.random.Generator(np.random.PCG64(key))
        more_orders, more_steps = dirt.of(row, by_order.get(row["order_id"], []), rng)
        kept_orders += more_orders
        kept_steps += more_steps
    return kept_orders, kept_steps


def table(rows: Iterable[Row], columns: tuple[str, ...]) -> str:
    """Rows as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def main(folder: Path) -> None:
    """Write the two tables and the shop's words."""
    orders, steps, lines = list[Row](), list[Row](), list[Row]()
    for name in MACHINES:
        some, theirs = dirty_orders(name)
        orders += some
        steps += theirs
        lines += mapping_lines(load_machine(name), some, theirs)
        sys.stderr.write(f"{name}: {len(some)} orders, {len(theirs)} steps\n")
    for file, rows, columns in (
        ("larkfield_orders.csv", orders, ORDER_COLUMNS),
        ("larkfield_steps.csv", steps, STEP_COLUMNS),
        ("larkfield_words.csv", lines, ("what", "machine", "text", "id")),
    ):
        (folder / file).write_text(table(rows, columns), "utf-8")


if __name__ == "__main__":
    main(Path(__file__).parents[2] / "datasets")
