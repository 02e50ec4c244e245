"""Starting numba without the linear algebra that nothing here uses."""

from __future__ import annotations

import importlib
import sys


def import_numba_without_blas() -> None:
    """Load numba's array functions while they cannot find BLAS.

    On its first use numba looks for BLAS and loads scipy.linalg for it, which takes longer than
    answering does. No kernel of this project multiplies matrices. Only for the processes of the
    command line: a program that uses this package as a library may want numba's linear algebra.
    """
    wanted = "scipy.linalg"
    if wanted in sys.modules:
        return
    sys.modules[wanted] = None  # type: ignore[assignment]  # makes its import fail at once
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del sys.modules[wanted]
