"""Looking after the store: check, rebuild, backup, export."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select, text

from diagnose.errors import DiagnoseError, StoreError
from diagnose.store import tables
from diagnose.store.orders import order_steps, orders, shops
from diagnose.store.projection import job_row, opening_hash, step_hash, step_of_row
from diagnose.store.records import text_hash
from diagnose.store.writers import WRITERS
from diagnose.whole import write_pieces

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection, RowMapping

    from diagnose.store.database import Database

BATCH = 200
MOST_PROBLEMS = 100
"""Problems that are told; of a store that has more, these are enough."""


def check(database: Database) -> tuple[str, ...]:
    """What is wrong in the store, a sentence each; nothing where it is sound.

    Checked are the database file itself (SQLite), every content hash, the chain of hashes of every
    job's log, its numbering, and that every row of `jobs` is what the log comes to.
    """
    problems: list[str] = []
    with database.reading() as connection:
        for problem in _problems(connection, sqlite=database.is_sqlite):
            problems.append(problem)
            if len(problems) == MOST_PROBLEMS:
                break
    return tuple(problems)


def _problems(connection: Connection, *, sqlite: bool) -> Iterator[str]:
    if sqlite:
        told = connection.execute(text("PRAGMA integrity_check")).scalars().all()
        yield from (f"the file: {line}" for line in told if line != "ok")
        for row in connection.execute(text("PRAGMA foreign_key_check")).all():
            yield f"{row[0]}: a row refers to one of {row[2]} that is not there"
    for table in (tables.archives, tables.machine_files, tables.overlays):
        for row in connection.execute(select(table.c.hash, table.c.text)):
            if text_hash(row.text) != row.hash:
                yield f"{table.name} {row.hash}: the text is not what its hash says"
    for opened in _openings(connection):
        yield from _problems_of_job(connection, opened)
    lost = select(tables.jobs.c.job_id).where(
        tables.jobs.c.job_id.not_in(select(tables.openings.c.job_id))
    )
    yield from (f"job {name}: has no log" for name in connection.execute(lost).scalars())


def _openings(connection: Connection) -> Iterator[RowMapping]:
    """All openings, a batch at a time."""
    last = ""
    while True:
        query = select(tables.openings).where(tables.openings.c.job_id > last)
        rows = connection.execute(query.order_by(tables.openings.c.job_id).limit(BATCH))
        batch = rows.mappings().all()
        if not batch:
            return
        yield from batch
        last = batch[-1]["job_id"]


def _log(connection: Connection, job_id: str) -> list[RowMapping]:
    query = select(tables.steps).where(tables.steps.c.job_id == job_id)
    return list(connection.execute(query.order_by(tables.steps.c.seq)).mappings())


def _problems_of_job(connection: Connection, opened: RowMapping) -> Iterator[str]:
    name, before = f"job {opened['job_id']}", opened["hash"]
    if opening_hash(opened) != before:
        yield f"{name}: its opening is not what its hash says"
    log = _log(connection, opened["job_id"])
    for number, row in enumerate(log, 1):
        if row["seq"] != number:
            yield f"{name}: step {number} is missing"
            return
        if step_hash(before, row) != row["hash"]:
            yield f"{name}: step {number} is not what its hash says"
            return
        before = row["hash"]
    query = select(tables.jobs).where(tables.jobs.c.job_id == opened["job_id"])
    kept = connection.execute(query).mappings().first()
    try:
        wanted = _projected(opened, log)
    except (DiagnoseError, ValueError) as error:
        yield f"{name}: its log cannot be read: {error}"
        return
    if kept is None:
        yield f"{name}: has no row in jobs"
        return
    for column, value in wanted.items():
        if kept[column] != value:
            yield f"{name}: {column} is {kept[column]!r}; the log says {value!r}"


def _projected(opened: RowMapping, log: list[RowMapping]) -> dict[str, Any]:
    changed_at = log[-1]["kept_at"] if log else opened["kept_at"]
    return job_row(opened, [step_of_row(row) for row in log], changed_at)


def rebuild(database: Database) -> int:
    """Write all of `jobs` anew from the log; how many jobs there are."""
    count = 0
    with database.writing() as connection:
        connection.execute(tables.jobs.delete())
        for opened in _openings(connection):
            row = _projected(opened, _log(connection, opened["job_id"]))
            connection.execute(tables.jobs.insert().values(**row))
            count += 1
    return count


def backup(database: Database, file: Path) -> None:
    """A copy of a SQLite store as it stands, made while others go on writing.

    Raises:
        StoreError: there is such a file, it cannot be written, or the store is PostgreSQL's, which
            has its own tool for this.
    """
    if not database.is_sqlite:
        raise StoreError(
            "a PostgreSQL store is backed up with its own tool: pg_dump --format=custom --file FILE"
        )
    if file.exists():
        raise StoreError(f"{file} is there already; name a new file")
    place = None
    try:
        handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
        os.close(handle)
        place = Path(name)
        with (
            contextlib.closing(sqlite3.connect(database.file)) as source,
            contextlib.closing(sqlite3.connect(place)) as target,
        ):
            source.backup(target)
            told = target.execute("PRAGMA integrity_check").fetchone()[0]
            if told != "ok":
                raise StoreError(f"the copy is not sound: {told}")
        place.replace(file)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{file} cannot be written: {error}") from error
    finally:
        if place is not None:
            place.unlink(missing_ok=True)


def export(database: Database, folder: Path, ending: str = "csv") -> tuple[Path, ...]:
    """The two tables of all shops as files in a folder.

    Args:
        database: the store.
        folder: is made where there is none.
        ending: `csv`, `jsonl` or `parquet`.

    Raises:
        OSError: a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    every = shops(database)
    made = []
    for table, rows in (("orders", orders), ("steps", order_steps)):
        file = folder / f"{table}.{ending}"
        pieces = WRITERS[ending](table, (row for shop in every for row in rows(database, shop)))
        write_pieces(file, pieces)
        made.append(file)
    return tuple(made)
