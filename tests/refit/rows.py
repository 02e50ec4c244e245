"""A few sound orders of the barn cart, and ways to spoil them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from diagnose.machine.load import load_machine
from diagnose.refit.tables import Tables, read_tables

CART = Path(__file__).parents[1] / "machine" / "larkfield.yaml"
MACHINE = load_machine(CART)

Row = dict[str, Any]


def order(name: str = "A1", **cells: Any) -> Row:
    """A sound order."""
    row = {
        "order_id": name,
        "shop": "barn",
        "machine": "barn_cart",
        "machine_version": "1",
        "opened_at": "2025-01-07T08:00:00+01:00",
        "closed_at": "2025-01-07T09:30:00+01:00",
        "complaint_told": "silent",
        "ended": "runs",
        "cause_part": "battery",
        "cause_mode": "flat",
        "cause_seen": "yes",
        "labour_minutes": "40",
    }
    return row | cells


def steps(name: str = "A1") -> list[Row]:
    """The sound steps of an order."""
    rows: list[Row] = [
        {"kind": "told", "outcome": "silent"},
        {"kind": "finding", "test": "hear_relay", "outcome": "silent", "minutes": "1"},
        {"kind": "finding", "test": "battery_rest", "reading": "10.4", "unit": "V", "minutes": "2"},
        {"kind": "repaired", "part": "battery", "repair": "charge", "minutes": "10"},
        {"kind": "tried", "result": "runs", "minutes": "1"},
        {"kind": "closed"},
    ]
    return [{"order_id": name, "seq": str(seq), **row} for seq, row in enumerate(rows, 1)]


def changed(rows: list[Row], number: int, /, **cells: Any) -> list[Row]:
    """The same steps with some cells of one of them changed."""
    return [row | cells if row["seq"] == str(number) else row for row in rows]


def read(orders: list[Row], done: list[Row], mapping: list[Row] | None = None) -> Tables:
    """What becomes of orders and steps."""
    words = None if mapping is None else pd.DataFrame(mapping)
    return read_tables(pd.DataFrame(orders), pd.DataFrame(done), MACHINE, words)


def said(tables: Tables, table: str | None = None) -> list[tuple[int, str, str, str]]:
    """Row, column, problem and what was done, of every remark."""
    frame = tables.problems
    if table is not None:
        frame = frame[frame["table"] == table]
    columns = ["row", "column", "problem", "done"]
    return [(int(r), str(c), str(p), str(d)) for r, c, p, d in frame[columns].to_numpy().tolist()]
