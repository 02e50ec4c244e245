"""Kernels are compiled wherever the program lies, and kept as far as there is a place for them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

KERNEL = """
from diagnose.compiled import njit

@njit(nogil=True)
def twice(number):
    return 2.0 * number

print(twice(21.0))
"""


@pytest.mark.parametrize("writable", [True, False])
def test_without_numba_s_own_places(tmp_path: Path, writable: bool) -> None:
    """Numba's places are the folder of the source and the user's cache; here both are files."""
    source = tmp_path / "kernel.py"
    source.write_text(KERNEL)
    (tmp_path / "__pycache__").write_text("no folder")
    (tmp_path / "home").write_text("no folder")
    kept = tmp_path / "kept"
    if not writable:
        kept.write_text("no folder")
    home = str(tmp_path / "home")
    done = subprocess.run(
        [sys.executable, source],
        env={
            "PYTHONPATH": str(Path(__file__).parents[1]),
            "HOME": home,
            "XDG_CACHE_HOME": home,
            "NOSTART_CACHE_DIR": str(kept),
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.strip() == "42.0", done.stderr
    compiled = [file for file in tmp_path.rglob("*.nbc") if "twice" in file.name]
    assert len(compiled) == writable
    assert all(kept in file.parents for file in compiled)
