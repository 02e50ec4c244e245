"""What was wrong in the tables, cell by cell, and what was done about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

REFUSED, SET_ASIDE, PUT_RIGHT, NOTED = "refused", "set aside", "put right", "noted"
"""The row goes out; the cell counts as empty; the cell was read as meant; nothing was changed."""

COLUMNS = ("table", "file", "row", "order_id", "column", "value", "problem", "what_to_do", "done")


@dataclass(frozen=True, slots=True)
class Remark:
    """What is said of some cells.

    Attributes:
        problem: what is wrong; the same words for the same kind of thing, so that they count.
        what_to_do: how to put it right in the table or in the mapping.
        done: one of `REFUSED`, `SET_ASIDE`, `PUT_RIGHT`, `NOTED`.
    """

    problem: str
    what_to_do: str
    done: str


@dataclass(slots=True)
class Notes:
    """The remarks on one table as they come up.

    Attributes:
        table: `orders` or `steps`.
        file: as the caller named it.
        row: (rows,) number of each row in the file; the heading is row 1.
        order_id: (rows,) of each row, as it was read.
    """

    table: str
    file: str
    row: NDArray[np.int64]
    order_id: NDArray[Any]
    _said: list[tuple[NDArray[np.int64], str, NDArray[Any], Remark]] = field(default_factory=list)
    _refused: NDArray[np.bool_] | None = None

    def say(
        self,
        rows: NDArray[np.bool_] | Sequence[int] | NDArray[np.int64],
        column: str,
        values: Any,
        remark: Remark,
    ) -> None:
        """Remark on some rows.

        Args:
            rows: a mask over all rows, or their numbers from 0.
            column: the column concerned, empty for the whole row.
            values: one value for all of them, or (all rows,) values.
            remark: what is said.
        """
        at = np.asarray(rows)
        at = np.flatnonzero(at) if at.dtype == bool else at.astype(np.int64)
        if not len(at):
            return
        if isinstance(values, str):
            shown = np.full(len(at), values, dtype=object)
        else:
            shown = _shown(pd.Series(values).iloc[at])
        self._said.append((at, column, shown, remark))
        if remark.done == REFUSED:
            self.refused[at] = True

    @property
    def refused(self) -> NDArray[np.bool_]:
        """(rows,) whether each row goes out."""
        if self._refused is None:
            self._refused = np.zeros(len(self.row), dtype=bool)
        return self._refused

    def frame(self) -> pd.DataFrame:
        """All remarks, by row."""
        if not self._said:
            return pd.DataFrame({name: pd.Series(dtype="str") for name in COLUMNS})
        at = np.concatenate([rows for rows, *_ in self._said])
        times = [len(rows) for rows, *_ in self._said]
        words = [(c, r.problem, r.what_to_do, r.done) for _, c, _, r in self._said]
        column, problem, what_to_do, done = (
            np.repeat(np.array(each, dtype=object), times) for each in zip(*words, strict=True)
        )
        frame = pd.DataFrame(
            {
                "table": self.table,
                "file": self.file,
                "row": self.row[at],
                "order_id": self.order_id[at],
                "column": column,
                "value": np.concatenate([shown for _, _, shown, _ in self._said]),
                "problem": problem,
                "what_to_do": what_to_do,
                "done": done,
            }
        )
        return frame.sort_values(["row", "column"], kind="stable", ignore_index=True)


def _shown(values: pd.Series[Any]) -> NDArray[Any]:
    """Values as texts; empty where there is none."""
    return np.array(["" if pd.isna(value) else str(value) for value in values], dtype=object)
