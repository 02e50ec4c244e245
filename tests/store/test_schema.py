"""The tables and their versions."""

from __future__ import annotations

import threading
import uuid
from typing import TYPE_CHECKING

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from diagnose.errors import StoreError
from diagnose.store import places, schema
from diagnose.store.database import connect
from diagnose.store.store import Store, upgrade_store
from diagnose.store.tables import metadata

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of a database without a table."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'folder' / 'jobs.sqlite'}"
    make: Callable[[str], str] = request.getfixturevalue("new_database")
    return make(f"empty_{uuid.uuid4().hex}")


def test_the_migrations_make_the_tables_that_the_program_uses(empty_url: str) -> None:
    """Compared by the library that runs them: not a table, column or index more or less."""
    assert upgrade_store(empty_url) == (None, schema.HEAD)
    assert upgrade_store(empty_url) == (schema.HEAD, schema.HEAD)
    database = connect(empty_url)
    with database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
        assert schema.version_of(connection) == schema.HEAD
    database.engine.dispose()


def test_the_head_is_the_last_migration() -> None:
    folder = str(places.__file__).replace("places.py", "migrations")
    assert ScriptDirectory(folder).get_heads() == [schema.HEAD]


def test_two_that_open_an_empty_store_at_once_both_have_it(empty_url: str) -> None:
    failed: list[Exception] = []

    def open_it() -> None:
        try:
            Store.open(empty_url).close()
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []


@pytest.mark.parametrize(("version", "said"), [("0000", "store upgrade"), ("9999", "newer")])
def test_a_store_of_another_version_is_not_touched(empty_url: str, version: str, said: str) -> None:
    Store.open(empty_url).close()
    database = connect(empty_url)
    with database.writing() as connection:
        connection.execute(text(f"UPDATE alembic_version SET version_num = '{version}'"))  # noqa: S608
    database.engine.dispose()
    with pytest.raises(StoreError, match=said):
        Store.open(empty_url)
    if version > schema.HEAD:
        with pytest.raises(StoreError, match="newer"):
            upgrade_store(empty_url)


def test_a_migration_that_fails_leaves_nothing(
    empty_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All of it is one transaction, in SQLite too."""

    def upgraded(*_: object) -> None:
        raise ZeroDivisionError

    database = connect(empty_url)
    with monkeypatch.context() as changed:
        changed.setattr("alembic.runtime.migration.HeadMaintainer.update_to_step", upgraded)
        with pytest.raises(ZeroDivisionError):
            schema.upgrade(database)
    with database.reading() as connection:
        assert schema.version_of(connection) is None
        assert not connection.dialect.has_table(connection, "jobs")
    database.engine.dispose()
    Store.open(empty_url).close()


def test_the_store_is_where_the_environment_says(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """XDG Base Directory Specification 0.8: an absolute path, else `~/.local/share`."""
    monkeypatch.setenv("NOSTART_STORE", "sqlite:////srv/jobs.sqlite")
    assert places.store_url() == "sqlite:////srv/jobs.sqlite"
    monkeypatch.delenv("NOSTART_STORE")
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert places.store_url() == f"sqlite:///{tmp_path}/data/nostart-diagnose/jobs.sqlite"
    for unusable in ("", "relative/path"):
        monkeypatch.setenv("XDG_DATA_HOME", unusable)
        assert places.data_folder() == tmp_path / ".local" / "share" / "nostart-diagnose"
    monkeypatch.setattr("sys.platform", "darwin")
    assert places.data_folder().parent == tmp_path / "Library" / "Application Support"
    monkeypatch.setattr("sys.platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "Local"))
    assert places.data_folder().parent == tmp_path / "Local"


def test_a_user_without_a_home_is_told_what_to_set(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_home(_: Path) -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("NOSTART_STORE")
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.setattr("pathlib.Path.expanduser", no_home)
    with pytest.raises(StoreError, match="NOSTART_STORE"):
        places.store_url()
