"""Finding machine files and reading their bytes."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from diagnose.errors import MachineFileError, UnknownNameError
from diagnose.machine.load import MAX_BYTES, load_machine, machine_names, read_machine


@pytest.fixture
def barn(tmp_path: Path, larkfield_text: str) -> Path:
    for name in ("barn_cart", "feed_pump"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "machine.yaml").write_text(larkfield_text, "utf-8")
    (tmp_path / "notes").mkdir()
    (tmp_path / "readme.md").write_text("nothing", "utf-8")
    return tmp_path


def test_names_are_folders_with_a_machine_file(barn: Path) -> None:
    assert machine_names(barn) == ("barn_cart", "feed_pump")
    assert machine_names(barn / "nowhere") == ()


def test_shipped_names_need_no_folder() -> None:
    assert all(load_machine(name).id == name for name in machine_names())


def test_by_name_by_path_and_from_text_are_one(barn: Path, larkfield_text: str) -> None:
    path = barn / "feed_pump" / "machine.yaml"
    by_name = load_machine("feed_pump", folder=barn)
    assert by_name == load_machine(path) == load_machine(str(path)) == read_machine(larkfield_text)
    assert by_name.content_hash == hashlib.sha256(path.read_bytes()).hexdigest()


def test_unknown_name_tells_the_nearest(barn: Path) -> None:
    with pytest.raises(UnknownNameError) as caught:
        load_machine("barn_kart", folder=barn)
    assert caught.value.nearest == "barn_cart"
    assert caught.value.valid == ("barn_cart", "feed_pump")


def test_byte_order_mark_is_no_problem(tmp_path: Path, larkfield_text: str) -> None:
    path = tmp_path / "bom.yaml"
    path.write_text(larkfield_text, "utf-8-sig")
    assert load_machine(path) == read_machine(larkfield_text)


def _refused(path: Path) -> tuple[int, str]:
    with pytest.raises(MachineFileError) as caught:
        load_machine(path)
    assert caught.value.file == str(path)
    [problem] = caught.value.problems
    assert problem.rule == "file_unreadable"
    return problem.line, problem.message


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    assert "No such file" in _refused(tmp_path / "none.yaml")[1]
    assert "directory" in _refused(tmp_path)[1]
    latin = tmp_path / "latin.yaml"
    latin.write_bytes("machine:\n  title: Kühlaggregat\n".encode("latin-1"))
    assert _refused(latin) == (2, "the file is not UTF-8 text")
    pipe = tmp_path / "pipe.yaml"
    os.mkfifo(pipe)
    assert "device or pipe" in _refused(pipe)[1]
    assert "device or pipe" in _refused(Path("/dev/zero"))[1]
    long = tmp_path / "long.yaml"
    long.write_bytes(b"#" * (MAX_BYTES + 1))
    assert "more than 1,000,000 bytes" in _refused(long)[1]


@pytest.mark.parametrize("text", ["[]", "3", "machine", "null", '"a: b"', "- machine: {}"])
def test_a_file_that_is_no_mapping(text: str) -> None:
    with pytest.raises(MachineFileError) as caught:
        read_machine(text)
    assert [(p.line, p.rule) for p in caught.value.problems] == [(1, "yaml_syntax")]


def test_an_empty_mapping_misses_every_section_that_is_needed() -> None:
    with pytest.raises(MachineFileError) as caught:
        read_machine("{}", "empty.yaml")
    missing = {p.message.split("`")[1] for p in caught.value.problems if p.rule == "missing_key"}
    needed = {"machine", "shop", "nets", "parts", "functions", "complaints", "tests"}
    assert missing == needed
