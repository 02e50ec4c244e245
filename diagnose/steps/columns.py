"""The data dictionary of the two tables: `datasets/columns.csv`, and what holds to it."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from diagnose.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping

TABLES = ("orders", "steps")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes:
        kind: `text`, `choice`, `number`, `integer` or `time`.
        unit: of a number, empty for none.
        required: whether every row has it.
        values: of a choice.
        meaning: in words.
    """

    name: str
    kind: str
    unit: str
    required: bool
    values: tuple[str, ...]
    meaning: str


@cache
def columns() -> Mapping[str, tuple[Column, ...]]:
    """Table -> its columns in order."""
    text = resources.files("diagnose.datasets").joinpath("columns.csv").read_text("utf-8")
    tables: dict[str, list[Column]] = {table: [] for table in TABLES}
    for row in csv.DictReader(io.StringIO(text)):
        values = tuple(row["values"].split("|")) if row["values"] else ()
        required = row["required"] == "yes"
        column = Column(row["column"], row["type"], row["unit"], required, values, row["meaning"])
        tables[row["table"]].append(column)
    return MappingProxyType({table: tuple(known) for table, known in tables.items()})


def checked_row(table: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row with exactly the columns of its table, in their order, each as the dictionary says.

    Args:
        table: `orders` or `steps`.
        row: column -> text, number or None; a column that is missing counts as None.

    Raises:
        RequestError: a column that the table does not have, a value of another type, one that is
            missing; the place is `orders.ended`.
    """
    known = columns()[table]
    strange = set(row) - {column.name for column in known}
    if strange:
        raise RequestError("is no column of the table", f"{table}.{min(strange)}")
    return {column.name: _checked(table, column, row.get(column.name)) for column in known}


def _checked(table: str, column: Column, value: Any) -> Any:
    place = f"{table}.{column.name}"
    if value is None or value == "":
        if column.required:
            raise RequestError("is missing", place)
        return None
    if column.kind in {"number", "integer"}:
        wanted = (int,) if column.kind == "integer" else (int, float)
        if isinstance(value, bool) or not isinstance(value, wanted) or not math.isfinite(value):
            raise RequestError(f"met {value!r}; expected a {column.kind}", place)
        return value
    if not isinstance(value, str):
        raise RequestError(f"met {value!r}; expected a text", place)
    if column.kind == "choice" and value not in column.values:
        raise RequestError(f"met {value!r}; expected one of {', '.join(column.values)}", place)
    if column.kind == "time" and not _is_time(value):
        raise RequestError(f"met {value!r}; expected ISO 8601 with an offset", place)
    return value


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
