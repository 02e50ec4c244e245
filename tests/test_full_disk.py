"""Nothing is left half written where no more can be written, and one line says so.

POSIX: beyond RLIMIT_FSIZE a write fails with EFBIG, as on a full disk it fails with ENOSPC
(setrlimit(2)); what a program sees is the same.
"""

from __future__ import annotations

import contextlib
import os
import resource
import stat
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose import cache
from diagnose.errors import StoreError
from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.store.store import Store
from diagnose.whole import beside, write_pieces, write_whole
from tests.commands import conftest
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.commands.conftest import Ran

    Call = Callable[..., Ran]

call, cart = conftest.call, conftest.cart

BEFORE = "what was there before\n"
NOTE = "long " * 300


@contextlib.contextmanager
def full(most_bytes: int = 1_500) -> Iterator[None]:
    """No file takes more than so many bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def closed_jobs(store: Store, count: int = 3) -> None:
    for _ in range(count):
        job = store.open_job("barn", Opening(machine="barn_pump", complaint="dead"), PUMP)
        end = kinds.Closed(ended="given_up", note=NOTE)
        store.append_steps("barn", job.job_id, 0, [end])


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A store with orders, which stays open."""
    url = f"sqlite:///{tmp_path / 'kept' / 'jobs.sqlite'}"
    monkeypatch.setenv("NOSTART_STORE", url)
    made = Store.open(url)
    closed_jobs(made)
    yield made
    made.close()


COMMANDS: dict[str, tuple[str, ...]] = {
    "card.svg": ("card", "CART", "-c", "silent", "--jobs", "0", "--svg", "FILE"),
    "card.html": ("card", "CART", "-c", "silent", "--jobs", "0", "--html", "FILE"),
    "drawing.svg": ("draw", "CART", "--svg", "FILE"),
    "network.bif": ("network", "CART", "--states", "0", "--bif", "FILE"),
    "cart.yaml": ("new", "FILE", "--like", "CART"),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_files_of_commands_are_whole_or_as_they_were(
    call: Call, cart: str, tmp_path: Path, name: str
) -> None:
    file = tmp_path / name
    words = [{"CART": cart, "FILE": str(file)}.get(word, word) for word in COMMANDS[name]]
    with full():
        failed = call(*words)
    assert (failed.code, failed.out, len(failed.errors)) == (1, "", 1), failed
    assert failed.errors[0] == f"diagnose: {file}: File too large"
    assert list(tmp_path.iterdir()) == []
    if name != "cart.yaml":  # that one is never written over
        file.write_text(BEFORE, "utf-8")
        with full():
            assert call(*words).code == 1
        assert (file.read_text("utf-8"), list(tmp_path.iterdir())) == (BEFORE, [file])
    assert call(*words).code == 0
    assert file.read_text("utf-8") != BEFORE
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet"])
def test_exported_tables_are_whole_or_as_they_were(
    call: Call, store: Store, tmp_path: Path, ending: str
) -> None:
    folder = tmp_path / "taken"
    words = ("store", "export", str(folder), "--format", ending)
    with full(600):
        failed = call(*words)
    assert (failed.code, failed.out, len(failed.errors)) == (1, "", 1), failed
    assert "File too large" in failed.errors[0]
    assert list(folder.iterdir()) == []
    assert call(*words).code == 0
    whole = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert set(whole) == {f"orders.{ending}", f"steps.{ending}"}
    closed_jobs(store)
    with full(600):
        assert call(*words).code == 1
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == whole


def test_a_backup_is_whole_or_not_there(call: Call, store: Store, tmp_path: Path) -> None:
    del store
    file = tmp_path / "copy.sqlite"
    with full(20_000):
        failed = call("store", "backup", str(file))
    assert (failed.code, len(failed.errors)) == (1, 1), failed
    assert "cannot be written" in failed.errors[0]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kept"]
    assert call("store", "backup", str(file)).code == 0


@pytest.mark.parametrize("most_bytes", [0, 4_096, 40_000, 120_000])
def test_a_store_on_a_full_disk_keeps_what_it_had(store: Store, most_bytes: int) -> None:
    """Writes are refused in one line, none is half there, and all goes on once there is room."""
    opening = Opening(machine="barn_pump", complaint="dead")
    job = store.open_job("barn", opening, PUMP)
    acknowledged, refused = 0, []
    with full(most_bytes):
        for _ in range(60):
            steps = [kinds.SetAside(test="t", note=NOTE) for _ in range(3)]
            try:
                done = store.append_steps("barn", job.job_id, acknowledged, steps)
                acknowledged = done.job.version
            except StoreError as error:
                refused.append(str(error))
    assert refused
    assert all("\n" not in line and NOTE not in line for line in refused)
    assert store.check() == ()
    assert store.job("barn", job.job_id).version == acknowledged
    done = store.append_steps("barn", job.job_id, acknowledged, [kinds.Tools()])
    assert done.job.version == acknowledged + 1
    assert store.check() == ()


def test_a_store_that_could_not_be_made_can_be_made_later(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOSTART_STORE", f"sqlite:///{tmp_path / 'new' / 'jobs.sqlite'}")
    with full(8_192):
        failed = call("jobs")
    assert (failed.code, len(failed.errors)) == (1, 1), failed
    assert failed.errors[0].startswith("diagnose: the store ")
    assert call("jobs").code == 0
    assert call("store", "check").code == 0


def test_a_bundle_of_the_cache_is_whole_or_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOSTART_CACHE_DIR", str(tmp_path / "cache"))
    key, arrays = cache.content_hash(b"full"), {"numbers": np.arange(5_000.0)}
    with full():
        assert not cache.store("tried", key, arrays)
    assert [path.name for path in (tmp_path / "cache").iterdir()] == []
    assert cache.load("tried", key) is None
    assert cache.store("tried", key, arrays)
    with full():
        assert not cache.store("tried", key, {"numbers": np.arange(6_000.0)})
    kept = cache.load("tried", key)
    assert kept is not None
    assert kept["numbers"].shape == (5_000,)


def test_what_is_written_keeps_its_place(tmp_path: Path) -> None:
    """A link stays a link, rights stay as they were; a pipe is written into and not replaced."""
    file, link = tmp_path / "file.txt", tmp_path / "link.txt"
    file.write_text(BEFORE, "utf-8")
    file.chmod(0o640)
    link.symlink_to(file)
    write_whole(link, "Öl\n")
    assert link.is_symlink()
    assert (file.read_bytes(), stat.S_IMODE(file.stat().st_mode)) == ("Öl\n".encode(), 0o640)
    with pytest.raises(ZeroDivisionError):
        write_pieces(file, (b"%d" % (1 // number) for number in (1, 0)))
    assert file.read_text("utf-8") == "Öl\n"
    with pytest.raises(FileNotFoundError, match="nowhere"):
        write_whole(tmp_path / "nowhere" / "file.txt", "")
    reading, writing = os.pipe()
    with open(reading, encoding="utf-8") as pipe:  # noqa: PTH123  a descriptor
        with beside(f"/proc/self/fd/{writing}") as place, place.open("w") as target:
            target.write("through")
        os.close(writing)
        assert pipe.read() == "through"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file.txt", "link.txt"]


def test_a_new_file_has_the_rights_that_new_files_have(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "new.txt", "new")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "new.txt").stat().st_mode) == 0o640
