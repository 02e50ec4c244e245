"""Tables of any shop as text: CSV with whatever separator and encoding, Parquet, or a frame."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from diagnose.errors import TableError
from diagnose.machine.nearest import nearest_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.steps.columns import Column

PARQUET = (".parquet", ".pq")
SEPARATORS = ",;\t|"
ENCODINGS = ("utf-8-sig", "cp1252")
"""Tried one after the other; every file can be read as the second."""


@dataclass(frozen=True, slots=True, eq=False)
class RawTable:
    """A table as it stands in its file.

    Attributes:
        file: as the caller named it; `orders` or `steps` for a frame.
        frame: its cells; text where the file is text, empty ones missing.
        row: (rows,) number of each row in the file; the heading is row 1.
        broken: number and text of the rows that have too many or too few cells.
    """

    file: str
    frame: pd.DataFrame
    row: NDArray[np.int64]
    broken: tuple[tuple[int, str], ...] = ()


def read_raw(source: str | Path | pd.DataFrame, name: str) -> RawTable:
    """A table from a file or a frame.

    Args:
        source: path of a CSV or Parquet file, or a frame.
        name: what to call a frame in messages.

    Raises:
        TableError: no such file, or one that is no table.
    """
    if isinstance(source, pd.DataFrame):
        return RawTable(name, source.reset_index(drop=True), _rows(len(source)))
    path = Path(source)
    try:
        if path.suffix.lower() in PARQUET:
            frame = pd.read_parquet(path)
            return RawTable(str(source), frame.reset_index(drop=True), _rows(len(frame)))
        return _from_csv(path.read_bytes(), str(source))
    except OSError as error:
        raise TableError(str(source), f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise TableError(str(source), f"is no table: {first}") from error


def _rows(number: int) -> NDArray[np.int64]:
    return np.arange(2, number + 2, dtype=np.int64)


def _from_csv(content: bytes, file: str) -> RawTable:
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415  only where it is read
    from pyarrow import csv  # noqa: PLC0415

    text = _decoded(content)
    heading = next((line for line in text.splitlines() if line.strip()), "")
    if not heading:
        raise TableError(file, "is empty; expected a heading and rows")
    separator = max(SEPARATORS, key=heading.count)
    broken: list[tuple[int, str]] = []

    def note(row: Any) -> str:
        broken.append((int(row.number), str(row.text)))
        return "skip"

    table = csv.read_csv(
        io.BytesIO(text.encode()),
        csv.ReadOptions(use_threads=False),
        csv.ParseOptions(delimiter=separator, newlines_in_values=True, invalid_row_handler=note),
        csv.ConvertOptions(
            column_types={name: pa.string() for name in _heading(heading, separator)},
            strings_can_be_null=True,
            null_values=[""],
            quoted_strings_can_be_null=True,
        ),
    )
    frame = table.to_pandas()
    every = np.arange(1, len(frame) + len(broken) + 1, dtype=np.int64)
    skipped = {number - 1 for number, _ in broken}
    row = np.array([n for n in every.tolist() if n not in skipped], dtype=np.int64) + 1
    return RawTable(file, frame, row[: len(frame)], tuple(broken))


def _heading(line: str, separator: str) -> list[str]:
    import csv  # noqa: PLC0415  the reader of one line

    return next(csv.reader([line], delimiter=separator))


def _decoded(content: bytes) -> str:
    for encoding in ENCODINGS:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return content.decode(ENCODINGS[-1], "replace")


def with_columns(
    raw: RawTable, known: tuple[Column, ...], renamed: Mapping[str, str]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The cells under the names of the data dictionary, and the columns that it does not have.

    Args:
        raw: the table.
        known: the columns of the dictionary.
        renamed: name of a column in the file -> its name in the dictionary.

    Raises:
        TableError: a column that every row must have is missing, or one is there twice.
    """
    names = {column.name for column in known}
    called = {str(name): _called(str(name), names, renamed) for name in raw.frame.columns}
    twice = sorted({new for new in called.values() if list(called.values()).count(new) > 1})
    if twice:
        both = ", ".join(old for old, new in called.items() if new == twice[0])
        raise TableError(raw.file, f"stands there more than once: {both}", twice[0])
    frame = raw.frame.set_axis(list(called.values()), axis=1)
    missing = [c.name for c in known if c.required and c.name not in frame.columns]
    if missing:
        others = [name for name in called.values() if name not in names]
        raise TableError(raw.file, "; ".join(_missing(name, others) for name in missing))
    strange = tuple(name for name in frame.columns if name not in names)
    return frame.reindex(columns=[column.name for column in known]), strange


def _called(name: str, names: set[str], renamed: Mapping[str, str]) -> str:
    plain = name.strip().lower().replace(" ", "_").replace("-", "_")
    found = renamed.get(name) or renamed.get(plain) or plain
    return found if found in names else name


def _missing(name: str, others: list[str]) -> str:
    nearest = nearest_of(name, others)
    hint = f"; nearest is '{nearest}'" if nearest else ""
    line = f"column,,{nearest or 'YOUR NAME'},{name}"
    return f"has no column '{name}'{hint}: rename it, or put `{line}` into the mapping"
