"""The tables and their versions."""

from __future__ import annotations

import threading
import uuid
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from diagnose.errors import StoreError, StoreVersionError
from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.store import places, schema
from diagnose.store.database import connect
from diagnose.store.records import RequestKey
from diagnose.store.store import Store, upgrade_store
from diagnose.store.tables import metadata
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


FOLDER = str(places.__file__).replace("places.py", "migrations")
OPENING = Opening(machine="barn_pump", complaint="dead")


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
    assert ScriptDirectory(FOLDER).get_heads() == [schema.HEAD]


def at_version(url: str, version: str) -> Store:
    """A store whose tables are those of an earlier version."""
    database, config = connect(url), Config()
    config.set_main_option("script_location", FOLDER)
    with database.writing() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, version)
    return Store(database)


def everything(url: str) -> dict[str, list[Any]]:
    """All rows of all tables, hash chains among them."""
    database = connect(url)
    with database.reading() as connection:
        told = {
            table.name: sorted(map(repr, connection.execute(table.select()).all()))
            for table in metadata.sorted_tables
        }
    database.engine.dispose()
    return told


@pytest.mark.parametrize("version", ["0001"])
def test_an_old_store_is_brought_up_to_date_with_every_row(empty_url: str, version: str) -> None:
    """And not before it is asked for: until then it is refused, and says what to do."""
    old = at_version(empty_url, version)
    first = old.open_job("barn", OPENING, PUMP)
    steps = [kinds.Tools(), kinds.Closed(ended="given_up", note="Öl, %s, \u2028")]
    old.append_steps("barn", first.job_id, 0, steps, key=RequestKey("k", "a" * 64))
    old.open_job("mill", replace(OPENING, shop_reference="W-1"), PUMP)
    old.adopt_priors("barn", "barn_pump", "rates: 1", "Ruth")
    text, _ = old.add_key("Office", "barn", "analyst")
    old.close()
    before = everything(empty_url)
    assert all(before.values())
    with pytest.raises(StoreVersionError, match="run `diagnose store upgrade`"):
        Store.open(empty_url)
    assert everything(empty_url) == before
    assert upgrade_store(empty_url) == (version, schema.HEAD)
    assert everything(empty_url) == before
    now = Store.open(empty_url)
    assert now.check() == ()
    kinds_kept = [kept.step.kind for kept in now.log("barn", first.job_id).steps]
    assert kinds_kept == ["tools", "closed"]
    now.append_steps("barn", first.job_id, 2, [kinds.Reopened()])
    key = now.verify_key(text)
    assert key is not None
    assert key.role == "analyst"
    assert now.check() == ()
    now.close()
    database = connect(empty_url)
    with database.reading() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    database.engine.dispose()


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
