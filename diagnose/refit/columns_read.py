"""Every cell of a table as its column of the data dictionary wants it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from diagnose.refit.cells import Parsed, parse_choices, parse_numbers, parse_times
from diagnose.refit.notes import PUT_RIGHT, REFUSED, SET_ASIDE, Remark

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.refit.notes import Notes
    from diagnose.refit.wording import Wording
    from diagnose.steps.columns import Column

LIMITS: Mapping[tuple[str, str], tuple[float, float]] = {
    ("orders", "temperature_celsius"): (-60.0, 70.0),
    ("orders", "labour_minutes"): (0.0, 20_000.0),
    ("orders", "days_to_comeback"): (0.0, 4_000.0),
    ("steps", "minutes"): (0.0, 1_440.0),
    ("steps", "seq"): (1.0, 100_000.0),
    ("steps", "sure"): (1e-6, 1.0),
}
"""(table, column) -> the least and the largest number that is believed. Estimates."""

ROW_GOES = frozenset({("steps", "sure")})
"""What is not required, but makes the row say something else where it is left out."""

EXPECTED = {
    "number": "write a number with a decimal point{unit}",
    "integer": "write a whole number",
    "time": "write a time like 2025-02-03T09:30+01:00",
}


def read_columns(
    frame: pd.DataFrame,
    columns: Sequence[Column],
    notes: Notes,
    wording: Wording,
    time_zone: str,
) -> pd.DataFrame:
    """Values of all cells; what cannot be read is remarked on and left out.

    Args:
        frame: cells under the names of the dictionary.
        columns: of the dictionary.
        notes: takes the remarks.
        wording: the analyst's mapping.
        time_zone: of times without an offset.

    Returns:
        Text columns as text or missing, numbers as float64, times in UTC.
    """
    made: dict[str, Any] = {}
    for column in columns:
        cells = _not_empty(frame[column.name])
        if column.kind == "text":
            made[column.name] = cells.astype("str")
        else:
            parsed = _parsed(cells, column, wording, time_zone)
            _remark(notes, column, cells, parsed)
            made[column.name] = _within(notes, column, cells, parsed.values)
        if column.required:
            remark = Remark("is empty", f"give {column.meaning[:1].lower()}{column.meaning[1:]}",
                            REFUSED)  # fmt: skip
            notes.say(cells.isna().to_numpy(), column.name, "", remark)
    return pd.DataFrame(made)


def _not_empty(cells: pd.Series[Any]) -> pd.Series[Any]:
    """Cells without blanks around them, empty ones missing; numbers and times as they are."""
    if pd.api.types.is_numeric_dtype(cells.dtype) and not pd.api.types.is_bool_dtype(cells.dtype):
        return cells
    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return cells
    texts = cells.map(_text, na_action="ignore").astype("str")
    return texts.where(texts.notna() & (texts != ""))


def _text(value: Any) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))  # a version 2 that a table keeps as a number
    return str(value).strip()


def _parsed(cells: pd.Series[Any], column: Column, wording: Wording, time_zone: str) -> Parsed:
    if column.kind == "time":
        return parse_times(cells, time_zone)
    if column.kind == "choice":
        return parse_choices(cells, column.values, wording.of(column.name))
    parsed = parse_numbers(cells, column.unit)
    if column.kind == "integer":
        broken = (parsed.values != np.floor(parsed.values)) & parsed.values.notna()
        bad = parsed.bad | broken.to_numpy()
        why = {**parsed.why, **dict.fromkeys(cells[broken].astype(str), "is no whole number")}
        return Parsed(parsed.values.where(~broken), bad, parsed.put_right & ~bad, why)
    return parsed


def _remark(notes: Notes, column: Column, cells: pd.Series[Any], parsed: Parsed) -> None:
    """Say of the bad cells why they are, and of the others what they were taken for."""
    goes = column.required or (notes.table, column.name) in ROW_GOES
    done = REFUSED if goes else SET_ASIDE
    texts = cells.astype("str")
    for why in sorted(set(parsed.why.values())):
        same = [text for text, said in parsed.why.items() if said == why]
        mask = parsed.bad & texts.isin(same).to_numpy()
        notes.say(mask, column.name, cells, Remark(why, _remedy(column), done))
    words = {"time": "has no offset, or is not in ISO 8601", "choice": "is spelled another way"}
    problem = words.get(column.kind, "has a comma, or a unit of its own")
    notes.say(parsed.put_right, column.name, cells, Remark(problem, "nothing", PUT_RIGHT))


def _remedy(column: Column) -> str:
    if column.kind == "choice":
        known = ", ".join(column.values)
        return f"write one of {known}, or map it: `{column.name},,YOUR WORDS,ID`"
    return EXPECTED[column.kind].format(unit=f", in {column.unit}" if column.unit else "")


def _within(
    notes: Notes, column: Column, cells: pd.Series[Any], values: pd.Series[Any]
) -> pd.Series[Any]:
    """Numbers that can be believed."""
    low, high = LIMITS.get((notes.table, column.name), (-np.inf, np.inf))
    if column.kind not in ("number", "integer") or not np.isfinite(high):
        return values
    far = ((values < low) | (values > high)).to_numpy(dtype=bool)
    goes = column.required or (notes.table, column.name) in ROW_GOES
    at_least = "above 0" if column.name == "sure" else f"{low:g}"
    remedy = f"expected {at_least} to {high:g} {column.unit if column.unit != '1' else ''}".strip()
    notes.say(far, column.name, cells, Remark("is out of range", remedy,
                                              REFUSED if goes else SET_ASIDE))  # fmt: skip
    return values.where(~far)
