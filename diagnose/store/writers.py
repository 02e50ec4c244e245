"""Rows of the two tables as JSON lines, CSV or Parquet, piece by piece."""

from __future__ import annotations

import csv
import io
import json
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from diagnose.steps.columns import columns

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import pyarrow as pa  # type: ignore[import-untyped]

    Rows = Iterable[Mapping[str, Any]]

LINES_AT_ONCE = 500
"""Rows in one piece of JSON lines or CSV."""

ROWS_IN_GROUP = 20_000
"""Rows in one row group of Parquet; so many are held in memory."""


def json_lines(table: str, rows: Rows) -> Iterator[bytes]:
    """One object a line, with all columns of the table in their order."""
    del table  # the rows have its columns
    for some in _pieces(rows, LINES_AT_ONCE):
        lines = [json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n" for row in some]
        yield "".join(lines).encode()


def csv_lines(table: str, rows: Rows) -> Iterator[bytes]:
    """A line with the columns, then one for each row (RFC 4180); what is empty is empty.

    A text that a spreadsheet would take for a formula is written as it is: this is for programs.
    """
    names = [column.name for column in columns()[table]]
    yield _csv_text([names])
    for some in _pieces(rows, LINES_AT_ONCE):
        yield _csv_text([[row[name] for name in names] for row in some])


def parquet(table: str, rows: Rows) -> Iterator[bytes]:
    """A Parquet file with a row group for every 20 000 rows; units and meanings stand in it."""
    import pyarrow as pa  # noqa: PLC0415  only for who wants this form
    from pyarrow import parquet as pq  # noqa: PLC0415

    schema, pipe = parquet_schema(table), _Pipe()
    with pq.ParquetWriter(pipe, schema, compression="zstd") as writer:
        for some in _pieces(rows, ROWS_IN_GROUP):
            writer.write_table(pa.Table.from_pylist(some, schema=schema))
            yield pipe.taken()
    yield pipe.taken()


def parquet_schema(table: str) -> pa.Schema:
    """The columns of a table for Parquet; times are texts, as in the other forms."""
    import pyarrow as pa  # noqa: PLC0415

    kinds = {"number": pa.float64(), "integer": pa.int64()}
    return pa.schema(
        [
            pa.field(
                column.name,
                kinds.get(column.kind, pa.string()),
                nullable=not column.required,
                metadata={"unit": column.unit, "meaning": column.meaning},
            )
            for column in columns()[table]
        ]
    )


class _Pipe(io.RawIOBase):
    """A file that is written at one end and taken away at the other."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._taken = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._held += data
        return len(data)

    def tell(self) -> int:
        return self._taken + len(self._held)

    def taken(self) -> bytes:
        """What was written since the last time."""
        data = bytes(self._held)
        self._taken += len(data)
        self._held.clear()
        return data


def _pieces(rows: Rows, most: int) -> Iterator[list[dict[str, Any]]]:
    every = iter(rows)
    while some := [dict(row) for row in islice(every, most)]:
        yield some


def _csv_text(rows: Iterable[Iterable[Any]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode()


WRITERS: Mapping[str, Callable[[str, Rows], Iterator[bytes]]] = MappingProxyType(
    {"jsonl": json_lines, "csv": csv_lines, "parquet": parquet}
)
"""Ending of a file's name -> what writes it."""
