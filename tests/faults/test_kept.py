"""Values kept in memory: found by key, bounded in bytes, worked out once."""

from __future__ import annotations

import threading
import time

import pytest

from diagnose.kept import Kept


def test_a_value_is_worked_out_once() -> None:
    kept, made = Kept[str](100, len), list[str]()

    def make() -> str:
        made.append("x")
        return "value"

    assert [kept.get("key", make) for _ in range(3)] == ["value"] * 3
    assert made == ["x"]


def test_bytes_are_bounded_and_the_longest_unused_goes_first() -> None:
    kept, made = Kept[str](10, len), list[str]()

    def get(key: str) -> str:
        def make() -> str:
            made.append(key)
            return key * 4

        return kept.get(key, make)

    get("a")
    get("b")
    assert kept.nbytes() == 8
    get("a")  # so that b is the one not used for longest
    get("c")
    assert kept.nbytes() == 8
    get("a")
    get("b")
    assert made == ["a", "b", "c", "b"]


def test_one_value_larger_than_all_room_stays_alone() -> None:
    kept = Kept[str](10, len)
    kept.get("small", lambda: "xx")
    assert kept.get("large", lambda: "x" * 50) == "x" * 50
    assert kept.nbytes() == 50
    kept.get("next", lambda: "xx")
    assert kept.nbytes() == 2
    kept.clear()
    assert kept.nbytes() == 0


def test_who_asks_while_it_is_worked_out_waits_for_it() -> None:
    kept, made, got = Kept[str](100, len), list[int](), list[str]()

    def make() -> str:
        made.append(1)
        time.sleep(0.05)
        return "value"

    askers = [threading.Thread(target=lambda: got.append(kept.get("k", make))) for _ in range(8)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert got == ["value"] * 8
    assert len(made) == 1


def test_there_is_no_moment_at_which_a_value_made_is_not_found() -> None:
    # Its size is asked when it is kept; whoever asks for it just then must find or await it.
    made = list[int]()
    first_sized = threading.Event()

    def size_of(value: str) -> int:
        first_sized.set()
        time.sleep(0.05)
        return len(value)

    def make() -> str:
        made.append(1)
        return "value"

    kept = Kept[str](100, size_of)
    maker = threading.Thread(target=lambda: kept.get("k", make))
    maker.start()
    first_sized.wait(5.0)
    assert kept.get("k", make) == "value"
    maker.join()
    assert len(made) == 1


def test_keys_are_worked_out_side_by_side() -> None:
    # Each waits for the other to have begun; one after the other neither would end.
    kept, both = Kept[str](100, len), threading.Barrier(2, timeout=5.0)

    def make() -> str:
        both.wait()
        return "value"

    askers = [threading.Thread(target=lambda key=key: kept.get(key, make)) for key in "ab"]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert kept.nbytes() == 10


def test_what_could_not_be_worked_out_is_tried_again() -> None:
    kept = Kept[str](100, len)

    def fail() -> str:
        raise RuntimeError("no")

    for _ in range(2):
        with pytest.raises(RuntimeError):
            kept.get("k", fail)
    assert kept.get("k", lambda: "value") == "value"
