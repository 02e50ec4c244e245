"""Check, rebuild, backup and export."""

from __future__ import annotations

import sqlite3
import threading
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import delete, text, update

from diagnose.errors import StoreError
from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.store import tables
from diagnose.store.store import Store
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from pathlib import Path

    from sqlalchemy import Executable

BARN = "barn"
OPENING = Opening(machine="barn_pump", complaint="dead")
STEPS = tables.steps
SPOILT: dict[str, tuple[Executable, str]] = {
    "a note": (
        update(STEPS).where(STEPS.c.seq == 2).values(body='{"kind": "tools"}'),
        "step 2 is not what its hash says",
    ),
    "what was advised": (
        update(STEPS).where(STEPS.c.seq == 1).values(advised="done"),
        "step 1 is not what its hash says",
    ),
    "a step lost": (delete(STEPS).where(STEPS.c.seq == 2), "step 2 is missing"),
    "the last step lost": (delete(STEPS).where(STEPS.c.seq == 3), "version is 3; the log says 2"),
    "an opening": (
        update(tables.openings).values(shop="yard"),
        "its opening is not what its hash says",
    ),
    "a row of jobs": (
        update(tables.jobs).values(labour_minutes=3.0),
        "labour_minutes is 3.0; the log says 12.5",
    ),
    "no row of jobs": (delete(tables.jobs), "has no row in jobs"),
    "a machine file": (
        update(tables.machine_files).values(text="machine: {id: other}"),
        "the text is not what its hash says",
    ),
    "an archive": (
        update(tables.archives).values(text="{}x"),
        "the text is not what its hash says",
    ),
    "a step of a kind unknown": (
        update(STEPS).where(STEPS.c.seq == 3).values(body='{"kind": "guessed"}'),
        "step 3 is not what its hash says",
    ),
}


def worked(store: Store) -> str:
    """A closed job of three steps."""
    job = store.open_job(BARN, OPENING, PUMP)
    steps = [
        kinds.Tools(tools=("multimeter",)),
        kinds.SetAside(test="listen", note="no key, said the customer", minutes=12.5),
        kinds.Closed(ended="given_up"),
    ]
    store.append_steps(BARN, job.job_id, 0, steps)
    return job.job_id


def test_a_sound_store_has_no_problems(store: Store) -> None:
    worked(store)
    store.adopt_priors(BARN, "barn_pump", "rates: 1", "Ruth")
    assert store.check() == ()


@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_was_changed_in_the_database_is_found(store: Store, spoilt: str) -> None:
    job_id = worked(store)
    change, said = SPOILT[spoilt]
    with store._database.writing() as connection:
        connection.execute(change)
    problems = store.check()
    assert any(said in problem for problem in problems), problems
    if spoilt not in {"a machine file", "an archive"}:  # these belong to no job
        assert any(job_id in problem for problem in problems)


def test_a_row_that_was_spoilt_is_mended_from_the_log(store: Store) -> None:
    job_id = worked(store)
    right = store.job(BARN, job_id)
    with store._database.writing() as connection:
        connection.execute(update(tables.jobs).values(status="open", ended=None, version=9))
    assert store.job(BARN, job_id) != right
    assert store.rebuild() == 1
    assert store.job(BARN, job_id) == right
    assert store.check() == ()


def test_a_file_that_is_damaged_is_found(tmp_path: Path) -> None:
    file = tmp_path / "jobs.sqlite"
    store = Store.open(f"sqlite:///{file}")
    for _ in range(40):
        worked(store)
    with store._database.reading() as connection:
        size = connection.execute(text("PRAGMA page_size")).scalar_one()
        root = connection.execute(
            text("SELECT rootpage FROM sqlite_master WHERE name = 'ix_jobs_shop_shop_reference'")
        ).scalar_one()
    store.close()
    with file.open("r+b") as raw:
        raw.seek((root - 1) * size)
        raw.write(b"\xff" * size)
    again = Store.open(f"sqlite:///{file}")
    try:
        problems = again.check()
    except StoreError as error:
        problems = (str(error),)
    assert problems
    again.close()


def test_a_backup_is_the_store_of_that_moment(tmp_path: Path) -> None:
    """Made while another process of this shop goes on writing; sound, and a store of its own."""
    store = Store.open(f"sqlite:///{tmp_path / 'jobs.sqlite'}")
    before = [worked(store) for _ in range(20)]
    stop = threading.Event()

    def go_on() -> None:
        mine = Store.open(f"sqlite:///{tmp_path / 'jobs.sqlite'}")
        while not stop.is_set():
            worked(mine)
        mine.close()

    writer = threading.Thread(target=go_on)
    writer.start()
    try:
        store.backup(tmp_path / "copy.sqlite")
    finally:
        stop.set()
        writer.join()
    copy = Store.open(f"sqlite:///{tmp_path / 'copy.sqlite'}")
    assert copy.check() == ()
    assert set(before) <= {row["order_id"] for row in copy.orders(BARN)}
    assert copy.log(BARN, before[0]) == store.log(BARN, before[0])
    with pytest.raises(StoreError, match="already"):
        store.backup(tmp_path / "copy.sqlite")
    with pytest.raises(StoreError, match="cannot be written"):
        store.backup(tmp_path / "nowhere" / "copy.sqlite")
    assert {file.name for file in tmp_path.iterdir() if "copy" in file.name} >= {"copy.sqlite"}
    assert not [file for file in tmp_path.iterdir() if file.name.startswith(".copy")]
    copy.close()
    store.close()


def test_postgresql_is_backed_up_with_its_own_tool(postgresql_url: str, tmp_path: Path) -> None:
    store = Store.open(postgresql_url)
    with pytest.raises(StoreError, match="pg_dump"):
        store.backup(tmp_path / "copy.sqlite")
    store.close()


def test_sqlite_is_as_safe_as_it_can_be(tmp_path: Path) -> None:
    """Settings as the documentation of SQLite has them: WAL, and a sync before each commit."""
    store = Store.open(f"sqlite:///{tmp_path / 'jobs.sqlite'}")
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 30_000}
    with store._database.reading() as connection:
        for name, value in wanted.items():
            assert connection.execute(text(f"PRAGMA {name}")).scalar_one() == value
    store.close()


def test_a_writer_takes_its_lock_before_it_reads(tmp_path: Path) -> None:
    """Else one that has read could not write any more after another has written."""
    store = Store.open(f"sqlite:///{tmp_path / 'jobs.sqlite'}")
    with store._database.writing():
        other = sqlite3.connect(tmp_path / "jobs.sqlite", timeout=0.0)
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        other.close()
    store.close()


def test_what_fails_in_the_middle_leaves_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = store.open_job(BARN, OPENING, PUMP)

    def fail(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("diagnose.store.jobs.job_row", fail)
    with pytest.raises(ZeroDivisionError):
        store.append_steps(BARN, job.job_id, 0, [kinds.Tools()])
    monkeypatch.undo()
    assert store.log(BARN, job.job_id).steps == ()
    assert store.check() == ()


@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet"])
def test_an_export_has_the_orders_of_all_shops(store: Store, tmp_path: Path, ending: str) -> None:
    worked(store)
    job = store.open_job("yard", OPENING, PUMP)
    store.append_steps("yard", job.job_id, 0, [kinds.Closed(ended="given_up")])
    files = store.export(tmp_path / "out", ending)
    assert [file.name for file in files] == [f"orders.{ending}", f"steps.{ending}"]
    assert sorted(file.name for file in (tmp_path / "out").iterdir()) == sorted(
        file.name for file in files
    )
    if ending != "parquet":
        counts = [len(file.read_text("utf-8").splitlines()) for file in files]
        assert counts == ([3, 5] if ending == "csv" else [2, 4])
