"""The cache on disk never fails its user: damaged, foreign, unwritable all count as absent."""

from __future__ import annotations

import io
import multiprocessing
import os
import zipfile
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from diagnose import cache

KEY = cache.content_hash(b"some", b"content")


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(tmp_path / "kept"))
    return tmp_path / "kept"


def arrays() -> dict[str, np.ndarray]:
    return {"a": np.arange(6).reshape(2, 3), "b": np.array([0.1, np.inf]), "c": np.zeros(0)}


def only_file(place):
    (file,) = place.iterdir()
    return file


def test_what_is_stored_is_loaded_bit_for_bit(place):
    assert cache.load("network", KEY) is None
    assert cache.store("network", KEY, arrays())
    loaded = cache.load("network", KEY)
    assert loaded.keys() == arrays().keys()
    for name, array in arrays().items():
        assert loaded[name].dtype == array.dtype
        np.testing.assert_array_equal(loaded[name], array)
    assert [file.suffix for file in place.iterdir()] == [".npz"]


def test_the_hash_separates_its_parts_and_is_sha256_hex():
    assert cache.content_hash(b"ab", b"c") != cache.content_hash(b"a", b"bc")
    assert cache.content_hash(b"ab") == cache.content_hash(b"ab")
    assert len(KEY) == 64
    assert int(KEY, 16) > 0


def test_every_single_damaged_byte_is_noticed_or_harmless(place):
    cache.store("network", KEY, arrays())
    file = only_file(place)
    sound = file.read_bytes()
    rng = np.random.default_rng(0)
    for position in rng.integers(0, len(sound), 150):
        damaged = bytearray(sound)
        damaged[position] ^= 0xFF
        file.write_bytes(bytes(damaged))
        loaded = cache.load("network", KEY)
        if loaded is not None:  # a byte of the archive's own bookkeeping, e.g. a date
            for name, array in arrays().items():
                np.testing.assert_array_equal(loaded[name], array)


@pytest.mark.parametrize("kept", [0, 1, 50, 0.5, 0.99])
def test_a_truncated_file_counts_as_absent(place, kept):
    cache.store("network", KEY, arrays())
    file = only_file(place)
    sound = file.read_bytes()
    file.write_bytes(sound[: kept if isinstance(kept, int) else int(len(sound) * kept)])
    assert cache.load("network", KEY) is None
    assert cache.store("network", KEY, arrays())
    assert cache.load("network", KEY) is not None


def test_a_foreign_file_counts_as_absent(place):
    cache.store("network", KEY, arrays())
    file = only_file(place)
    foreign = io.BytesIO()
    np.savez(foreign, a=np.arange(3))
    file.write_bytes(foreign.getvalue())
    assert cache.load("network", KEY) is None
    file.write_bytes(b"not an archive at all")
    assert cache.load("network", KEY) is None
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("readme.txt", "hello")
    assert cache.load("network", KEY) is None


def test_a_bundle_under_another_name_counts_as_absent(place):
    cache.store("network", KEY, arrays())
    other = cache.content_hash(b"other")
    only_file(place).rename(place / f"network-{other}.npz")
    assert cache.load("network", other) is None


def test_pickled_objects_are_neither_stored_nor_loaded(place):
    with pytest.raises(ValueError, match="objects"):
        cache.store("network", KEY, {"a": np.array([{}], dtype=object)})
    cache.store("network", KEY, arrays())
    held = io.BytesIO()
    np.savez(held, a=np.array([{"x": 1}], dtype=object), _sha256=np.zeros(32, np.uint8))
    only_file(place).write_bytes(held.getvalue())
    assert cache.load("network", KEY) is None


def test_a_folder_that_cannot_be_made_is_not_cached(tmp_path, monkeypatch):
    """A file where the folder should be: unwritable for everybody, the superuser too."""
    (tmp_path / "blocked").write_text("in the way")
    monkeypatch.setenv(cache.DIRECTORY_VARIABLE, str(tmp_path / "blocked"))
    assert cache.store("network", KEY, arrays()) is False
    assert cache.load("network", KEY) is None


def test_a_place_that_is_a_folder_leaves_nothing_behind(place):
    (place / f"network-{KEY}.npz" / "inside").mkdir(parents=True)
    assert cache.store("network", KEY, arrays()) is False
    assert cache.load("network", KEY) is None
    assert len(list(place.iterdir())) == 1


@pytest.mark.parametrize("name", ["../escape", "", ".hidden", "a/b", "x" * 200])
def test_names_that_could_leave_the_folder_are_refused(name):
    with pytest.raises(ValueError, match="cannot name"):
        cache.store(name, KEY, arrays())
    with pytest.raises(ValueError, match="cannot name"):
        cache.load("network", name)


def test_the_usual_places(monkeypatch, tmp_path):
    """XDG Base Directory Specification: XDG_CACHE_HOME, or .cache in the home folder."""
    monkeypatch.delenv(cache.DIRECTORY_VARIABLE)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache.directory() == tmp_path / "nostart-diagnose"
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert cache.directory() == tmp_path / "home" / ".cache" / "nostart-diagnose"


def _write_often(directory: str, value: int) -> None:
    import os  # noqa: PLC0415 - runs in a process of its own

    os.environ[cache.DIRECTORY_VARIABLE] = directory
    for _ in range(30):
        cache.store("network", KEY, {"a": np.full(20_000, value)})


def test_readers_never_see_half_a_bundle_while_others_write(place):
    place.mkdir()
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_write_often, args=(str(place), n)) for n in (1, 2)]
    for writer in writers:
        writer.start()
    seen = 0
    while any(writer.is_alive() for writer in writers):
        loaded = cache.load("network", KEY)
        if loaded is not None:
            assert len(set(loaded["a"].tolist())) == 1
            seen += 1
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    assert cache.load("network", KEY)["a"][0] in (1, 2)
    assert seen > 0
    assert len(list(place.iterdir())) == 1


def test_threads_may_write_at_once(place):
    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(lambda _: cache.store("network", KEY, arrays()), range(40)))
    assert len(list(place.iterdir())) == 1
    assert cache.load("network", KEY) is not None


@pytest.mark.parametrize("mode", [0o777, 0o770, 0o702])
def test_bundles_are_only_read_from_and_put_into_folders_nobody_else_may_write(place, mode):
    assert cache.store("network", KEY, arrays())
    assert cache.load("network", KEY) is not None
    place.chmod(mode)
    assert cache.load("network", KEY) is None
    assert not cache.store("network", KEY, arrays())
    place.chmod(0o700)
    only_file(place).chmod(0o666)
    assert cache.load("network", KEY) is None


def test_a_folder_that_is_made_is_for_its_owner_alone(place):
    cache.store("network", KEY, arrays())
    assert place.stat().st_mode & 0o777 == 0o700


def test_a_user_without_a_home_has_a_folder_of_his_own_elsewhere(monkeypatch, tmp_path):
    for name in (cache.DIRECTORY_VARIABLE, "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(cache.tempfile, "gettempdir", lambda: str(tmp_path))

    def homeless(_):
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(cache.Path, "expanduser", homeless)
    assert cache.directory().parent == tmp_path
    assert str(os.getuid()) in cache.directory().name
    assert cache.store("network", KEY, arrays())
    assert cache.load("network", KEY) is not None
