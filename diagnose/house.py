"""Where the package finds its own folders, and its public names, each imported on first use."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

FOLDERS = ("api", "datasets", "models")
"""Imported as parts of the package; in a checkout they lie beside its folder, else in it."""


def own_folders(package_file: str) -> list[str]:
    """Where the parts of the package lie: for its `__path__`, so that no other copy lends them.

    Without this, an editable install of another checkout would answer for the three folders.

    Args:
        package_file: `__file__` of the package.

    Raises:
        ImportError: one of the folders is in neither place.
    """
    inside = Path(package_file).parent
    beside = inside.parent
    left = [name for name in FOLDERS if not (inside / name / "__init__.py").is_file()]
    for name in left:
        if not (beside / name / "__init__.py").is_file():
            raise ImportError(_not_at_home(name, inside, beside))
    return [str(inside), str(beside)] if left else [str(inside)]


def _not_at_home(name: str, inside: Path, beside: Path) -> str:
    spec = find_spec(f"diagnose.{name}")
    elsewhere = ""
    if spec is not None and spec.origin is not None:
        elsewhere = f"; the one in {Path(spec.origin).parent} belongs to another copy"
    return (
        f"diagnose is loaded from {inside}, but its folder {name} is neither there nor in "
        f"{beside}{elsewhere}. Get the whole tree and install it with `pip install -e .`, or run "
        "from outside this folder to use the copy that is installed."
    )


def lazy_names(
    package: str, places: Mapping[str, str]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """`__getattr__` and `__dir__` of a package whose names are imported on first use (PEP 562).

    Args:
        package: its name.
        places: public name -> module that defines it; or the module itself, of the same name.
    """
    module = sys.modules[package]

    def get(name: str) -> Any:
        if name in places:
            value = import_module(places[name])
            if places[name] != f"{package}.{name}":
                value = getattr(value, name)
            setattr(module, name, value)
            return value
        hint = ""
        if not name.startswith("_"):
            from diagnose.errors import nearest_name  # noqa: PLC0415  only for who misspells

            nearest = nearest_name(name, places)
            hint = f"; nearest is {nearest!r}" if nearest else ""
        raise AttributeError(f"module {package!r} has no name {name!r}{hint}", name=name)

    return get, lambda: sorted({*vars(module), *places})


def callable_package(package: str, module: str, name: str) -> str:
    """Let a package be called like a function of its own, which is imported on the first call.

    So `from diagnose import refit` gives what can be called, whether or not modules of the package
    `diagnose.refit` were imported before.

    Args:
        package: its name.
        module: where the function is.
        name: of the function.

    Returns:
        Where the function is, and its name.
    """

    class CallablePackage(ModuleType):
        def __call__(self, *args: Any, **options: Any) -> Any:
            return getattr(import_module(module), name)(*args, **options)

    sys.modules[package].__class__ = CallablePackage
    return f"{module}.{name}"
