"""The house itself: what is packaged, what may import what, what lies at the top."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = {"diagnose": "diagnose", "api": "diagnose.api", "models": "diagnose.models"} | {
    "datasets": "diagnose.datasets"
}


def packages_on_disk() -> set[str]:
    found = set()
    for folder, name in FOLDERS.items():
        for init in (ROOT / folder).rglob("__init__.py"):
            inside = init.parent.relative_to(ROOT / folder).parts
            found.add(".".join((name, *inside)))
    return found


def settings() -> dict[str, object]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)["tool"]["setuptools"]


def test_the_package_list_is_what_lies_on_disk() -> None:
    assert set(settings()["packages"]) == packages_on_disk()  # type: ignore[call-overload]


def test_no_folder_shadows_a_mapped_package() -> None:
    for name in ("api", "models", "datasets"):
        assert not (ROOT / "diagnose" / name).exists()


def test_the_wheel_holds_every_module_and_data_file(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", tmp_path, ROOT]
    subprocess.run(command, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    wanted = set()
    for folder, name in FOLDERS.items():
        for file in (ROOT / folder).rglob("*"):
            if file.suffix in {".py", ".yaml", ".csv", ".json", ".typed", ".md"}:
                inside = file.relative_to(ROOT / folder).as_posix()
                wanted.add(f"{name.replace('.', '/')}/{inside}")
    assert wanted <= held


def test_the_top_level_is_what_was_agreed() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.split("\n")
    top = {Path(name).parts[0] for name in tracked if name and not name.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "requirements.lock",
        "diagnose",
        "models",
        "api",
        "datasets",
        "tests",
    }


def test_the_lock_has_names_and_hashes_only() -> None:
    lock = (ROOT / "requirements.lock").read_text()
    assert "://" not in lock
    assert "--index" not in lock
    assert "--find-links" not in lock
    assert lock.count("--hash=sha256:") > 50


def imports_of(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
    return found


def test_nothing_below_the_commands_imports_the_api() -> None:
    for file in (ROOT / "diagnose").rglob("*.py"):
        if "commands" not in file.parts and file.name != "__main__.py":
            assert not any(name.startswith("diagnose.api") for name in imports_of(file)), file


@pytest.mark.parametrize("folder", ["diagnose", "api", "models", "datasets"])
def test_packages_hold_no_code_beyond_names(folder: str) -> None:
    for init in (ROOT / folder).rglob("__init__.py"):
        for node in ast.parse(init.read_text()).body:
            docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
            assert docstring or isinstance(node, ast.Import | ast.ImportFrom | ast.Assign), init
