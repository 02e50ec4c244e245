"""The two tables as JSON lines, CSV and Parquet: the same rows, piece by piece."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet as pq

from diagnose.steps.columns import checked_row, columns
from diagnose.store import writers

if TYPE_CHECKING:
    from collections.abc import Iterator

TEXTS = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=20
)
SORTS: dict[str, st.SearchStrategy[Any]] = {
    "text": TEXTS,
    "number": st.floats(allow_nan=False, allow_infinity=False),
    "integer": st.integers(1, 2**31),
    "time": st.just("2026-11-26T08:30:00+00:00"),
}


def some_rows(table: str) -> st.SearchStrategy[list[dict[str, Any]]]:
    cells = {}
    for column in columns()[table]:
        sort = st.sampled_from(column.values) if column.values else SORTS[column.kind]
        cells[column.name] = sort if column.required else st.none() | sort
    rows = st.fixed_dictionaries(cells).map(lambda row: checked_row(table, row))
    return st.lists(rows, max_size=6)


TABLES = st.sampled_from(["orders", "steps"]).flatmap(
    lambda table: st.tuples(st.just(table), some_rows(table))
)


@given(TABLES)
def test_json_lines_are_the_rows(told: tuple[str, list[dict[str, Any]]]) -> None:
    table, rows = told
    text = b"".join(writers.json_lines(table, rows)).decode()
    assert [json.loads(line) for line in text.split("\n")[:-1]] == rows


@given(TABLES)
def test_csv_has_the_rows_below_the_columns(told: tuple[str, list[dict[str, Any]]]) -> None:
    """Read with another reader of RFC 4180; an empty cell is what is not known."""
    table, rows = told
    text = b"".join(writers.csv_lines(table, rows)).decode()
    lines = list(csv.reader(io.StringIO(text, newline="")))
    assert lines[0] == [column.name for column in columns()[table]]
    wanted = [["" if value is None else str(value) for value in row.values()] for row in rows]
    assert lines[1:] == wanted


@given(TABLES)
def test_parquet_has_the_rows_with_their_types(told: tuple[str, list[dict[str, Any]]]) -> None:
    table, rows = told
    raw = b"".join(writers.parquet(table, rows))
    read = pq.read_table(io.BytesIO(raw))
    assert read.to_pylist() == rows
    for column in columns()[table]:
        told_of = read.schema.field(column.name)
        assert told_of.nullable != column.required
        assert told_of.metadata[b"meaning"].decode() == column.meaning


def counted(count: int, taken: list[int]) -> Iterator[dict[str, Any]]:
    for number in range(count):
        taken.append(number)
        yield checked_row("steps", {"order_id": "a", "seq": number + 1, "kind": "undone"})


@pytest.mark.parametrize(
    ("ending", "piece"),
    [
        ("jsonl", writers.LINES_AT_ONCE),
        ("csv", writers.LINES_AT_ONCE),
        ("parquet", writers.ROWS_IN_GROUP),
    ],
)
def test_rows_are_taken_as_they_are_written(ending: str, piece: int) -> None:
    """The first piece is there before the second is asked for."""
    taken: list[int] = []
    pieces = writers.WRITERS[ending]("steps", counted(piece * 2 + 1, taken))
    size = 0
    while size == 0 or not taken:
        size += len(next(pieces))
    assert len(taken) == piece
    rest = list(pieces)
    assert len(taken) == piece * 2 + 1
    assert all(len(more) < 40 * 1024 * 1024 for more in rest)


def test_parquet_comes_in_row_groups() -> None:
    count = writers.ROWS_IN_GROUP + 1
    raw = b"".join(writers.parquet("steps", counted(count, [])))
    file = pq.ParquetFile(io.BytesIO(raw))
    assert file.metadata.num_row_groups == 2
    assert file.metadata.num_rows == count
