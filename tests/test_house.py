"""The house itself: what is packaged, what may import what, what lies at the top."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import diagnose

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
            for_types = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
            names = isinstance(node, ast.Import | ast.ImportFrom | ast.Assign)
            assert docstring or for_types or names, init


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_module_has_a_name_by_which_tests_are_collected(folder: str) -> None:
    """`test_*.py` and `*_test.py` by default: pytest's documentation, option `python_files`."""
    names = [file.stem for file in (ROOT / folder).rglob("*.py")]
    assert names
    assert not [name for name in names if name.startswith("test_") or name.endswith("_test")]


def run_python(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Python in a process of its own, started in a folder, which is first on its path."""
    command = [sys.executable, "-c", code]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


PUBLIC = {
    "Advice",
    "CompiledNetwork",
    "Job",
    "Machine",
    "compile_network",
    "load_machine",
    "refit",
    "review_machine",
    "run_trial",
}


def test_the_package_alone_loads_nothing_but_itself(tmp_path: Path) -> None:
    code = (
        "import sys; before = set(sys.modules); import diagnose; "
        "print(*sorted(name for name in set(sys.modules) - before if name.isidentifier() or "
        "name.startswith('diagnose')))"
    )
    loaded = set(run_python(code, tmp_path).stdout.split())
    assert {name for name in loaded if name.startswith("diagnose")} == {
        "diagnose",
        "diagnose.house",
    }
    heavy = {"numpy", "numba", "pandas", "pgmpy", "networkx", "pydantic", "ruamel", "typer", "rich"}
    assert loaded & (heavy | {"scipy", "fastapi", "difflib"}) == set()


@pytest.mark.parametrize("name", sorted(PUBLIC - {"refit"}))
def test_public_names_are_those_of_their_modules(name: str) -> None:
    value = getattr(diagnose, name)
    assert value.__name__ == name
    assert getattr(sys.modules[value.__module__], name) is value


@pytest.mark.parametrize("before", ["", "import diagnose.refit.fit; "])
def test_refit_can_be_called_whatever_was_imported_before(tmp_path: Path, before: str) -> None:
    """It is a package and a function at once; a wrong call is answered by the function."""
    code = (
        f"{before}from diagnose import refit\n"
        "import diagnose.refit.model\n"
        "try:\n    refit()\n"
        "except TypeError as error:\n    print(diagnose.refit is refit, error)"
    )
    said = run_python(code, tmp_path).stdout
    assert said.startswith("True refit() missing 3 required positional arguments")


def test_public_names_are_listed_and_no_others_are() -> None:
    assert set(diagnose.__all__) == PUBLIC
    assert set(dir(diagnose)) >= PUBLIC
    with pytest.raises(AttributeError, match=r"no name 'load_machin'; nearest is 'load_machine'"):
        getattr(diagnose, "load_machin")  # noqa: B009 - a type checker would refuse the plain form
    assert not hasattr(diagnose, "__wrapped__")


WHERE = (
    "import diagnose, diagnose.api, diagnose.datasets, diagnose.models; "
    "from importlib import resources; import json; "
    "print(json.dumps([one.__file__ for one in (diagnose, diagnose.api, diagnose.datasets, "
    "diagnose.models)] + [str(resources.files('diagnose.models'))]))"
)


def copy_of_the_tree(place: Path) -> Path:
    for folder in FOLDERS:
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / folder, place / folder, ignore=ignored)
    return place


def test_another_checkout_uses_its_own_folders(tmp_path: Path) -> None:
    """Run by this environment, in which this checkout is installed."""
    here = json.loads(run_python(WHERE, tmp_path).stdout)
    assert here == [
        *(str(ROOT / folder / "__init__.py") for folder in ("diagnose", "api", "datasets")),
        str(ROOT / "models" / "__init__.py"),
        str(ROOT / "models"),
    ]
    copy = copy_of_the_tree(tmp_path / "copy")
    there = json.loads(run_python(WHERE, copy).stdout)
    assert there == [name.replace(str(ROOT), str(copy)) for name in here]
    model = copy / "models" / "standby_pump"
    model.rename(copy / "models" / "renamed_pump")
    names = "from diagnose.machine.load import machine_names; print(*machine_names())"
    assert "renamed_pump" in run_python(names, copy).stdout.split()
    assert "renamed_pump" not in run_python(names, tmp_path).stdout.split()


@pytest.mark.parametrize("folder", ["api", "datasets", "models"])
def test_a_checkout_without_one_of_its_folders_says_so(tmp_path: Path, folder: str) -> None:
    copy = copy_of_the_tree(tmp_path)
    shutil.rmtree(copy / folder)
    done = run_python(f"import diagnose.{folder}", copy)
    assert done.returncode == 1
    said = done.stderr.strip().splitlines()[-1]
    assert said.startswith("ImportError: ")
    assert str(copy / "diagnose") in said
    assert str(ROOT / folder) in said
    assert "pip install -e ." in said


def test_an_installed_package_takes_nothing_that_lies_beside_it(tmp_path: Path) -> None:
    """As a wheel unpacks it: the folders within the package, others' packages around it."""
    copy_of_the_tree(tmp_path)
    for folder in ("api", "datasets", "models"):
        shutil.copytree(tmp_path / folder, tmp_path / "diagnose" / folder)
    there = json.loads(run_python(WHERE, tmp_path).stdout)
    inside = tmp_path / "diagnose"
    assert [Path(name).is_relative_to(inside) for name in there] == [True] * 5
    assert there[1] == str(inside / "api" / "__init__.py")
