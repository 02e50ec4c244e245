"""A database by its URL: how it is connected to, read and written."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import create_engine, event
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from diagnose.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from sqlalchemy import Connection, Engine, Table
    from sqlalchemy.engine import URL

BUSY_MILLISECONDS = 30_000
"""How long a writer waits for another one."""

AGAIN_SECONDS = 0.01
"""After so long a new file is tried again."""

SQLITE, POSTGRESQL = "sqlite", "postgresql"


@dataclass(frozen=True, slots=True, eq=False)
class Database:
    """An engine and what it is called for people, without its password.

    Attributes:
        turn: held by the thread of this process that writes to SQLite. Writers that wait for
            each other's lock on the file try again after ever longer pauses, so that of 64 some
            waited eight seconds; here they go one after the other.
    """

    engine: Engine
    name: str
    turn: threading.Lock = field(default_factory=threading.Lock)

    @property
    def is_sqlite(self) -> bool:
        """Whether it is a file of SQLite."""
        return self.engine.dialect.name == SQLITE

    @property
    def file(self) -> Path:
        """The file of a SQLite database."""
        return Path(self.engine.url.database or "")

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one moment of the database throughout.

        Raises:
            StoreError: it cannot be reached or read.
        """
        options = {} if self.is_sqlite else {"isolation_level": "REPEATABLE READ"}
        with self._told(), self.engine.execution_options(**options).begin() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that writes, all or nothing.

        SQLite takes its lock at once: one that has read first could not get it any more when
        another has written meanwhile.

        Raises:
            StoreError: it cannot be reached or written.
        """
        writes = self.engine.execution_options(writes=True)
        turn = self.turn if self.is_sqlite else contextlib.nullcontext()
        with self._told(), turn, writes.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """What goes wrong in the database, in one line."""
        try:
            yield
        except DBAPIError as error:
            first = str(error.orig).strip().partition("\n")[0]  # the rest may tell of the rows
            reason = " ".join(first.split())
            raise StoreError(f"the store {self.name} cannot be used: {reason}") from error
        except PoolTimeoutError as error:
            raise StoreError(f"the store {self.name} is busy; ask again later") from error


def connect(url: str) -> Database:
    """The database of a URL; the folder of a SQLite file is made where there is none.

    Raises:
        StoreError: the URL cannot be read, is of another kind of database, or needs a driver that
            is not installed; the folder cannot be made.
    """
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise StoreError(
            "cannot read the URL of the store; expected sqlite:///FILE or postgresql+psycopg://..."
        ) from None
    kind = parsed.get_backend_name()
    if kind not in {SQLITE, POSTGRESQL}:
        raise StoreError(f"met a store of kind {kind!r}; expected sqlite or postgresql+psycopg")
    if kind == SQLITE:
        _make_folder(parsed)
    elif parsed.drivername == POSTGRESQL:
        parsed = parsed.set(drivername="postgresql+psycopg")
    name = parsed.render_as_string(hide_password=True)
    try:
        engine = create_engine(parsed, **_options(kind))
    except (ImportError, NoSuchModuleError) as error:
        raise StoreError(
            f"the store {name} needs a driver that is not installed ({error}); "
            "install nostart-diagnose[postgres]"
        ) from None
    except SQLAlchemyError as error:
        raise StoreError(f"the store {name} cannot be used: {error}") from None
    if kind == SQLITE:
        event.listen(engine, "connect", _on_connect)
        event.listen(engine, "begin", _on_begin)
    return Database(engine, name)


def _make_folder(url: URL) -> None:
    if not url.database or url.database == ":memory:":
        raise StoreError("a store is kept in a file; expected sqlite:///FILE")
    folder = Path(url.database).parent
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise StoreError(f"the store's folder {folder} cannot be made: {error.strerror}") from None


def _options(kind: str) -> dict[str, Any]:
    pool = {"pool_size": 4, "max_overflow": 60, "pool_timeout": 30.0}
    if kind == SQLITE:
        return pool | {"connect_args": {"timeout": BUSY_MILLISECONDS / 1000.0}}
    return pool | {"pool_pre_ping": True, "connect_args": {"connect_timeout": 10}}


def _on_connect(connection: Any, _record: Any) -> None:
    """Settings of each connection to SQLite; first of all how long it waits."""
    connection.isolation_level = None  # the module begins nothing by itself: see `_on_begin`
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_MILLISECONDS}")
    _write_ahead(cursor)
    for pragma in ("synchronous = FULL", "foreign_keys = ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Have changes written to a log of their own.

    A new file is switched over by who has it for himself, and for that SQLite does not wait: of
    four that opened an empty store at once, one in fifty was told that it is locked.
    """
    end = time.monotonic() + BUSY_MILLISECONDS / 1000.0
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(AGAIN_SECONDS)
        else:
            return


def _on_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def insert_new(connection: Connection, table: Table, row: Mapping[str, Any]) -> bool:
    """Insert a row unless one with its primary key is there; whether it was inserted."""
    made = sqlite.insert if connection.dialect.name == SQLITE else postgresql.insert
    new = made(table).values(**row).on_conflict_do_nothing()
    return connection.execute(new.returning(*table.primary_key.columns)).first() is not None
