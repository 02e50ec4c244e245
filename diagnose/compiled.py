"""Kernels compiled by numba, kept on disk where that can be, else compiled again in each process.

Numba keeps what it compiled beside the source, or in the user's cache folder. A service's user may
have neither: then it lies beside the bundles, and where nothing can be written it is not kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numba
from numba.core import config

from diagnose import cache

if TYPE_CHECKING:
    from collections.abc import Callable

KERNELS = "kernels"
"""Folder of compiled kernels beside the bundles."""


def njit(**options: Any) -> Callable[[Any], Any]:
    """`numba.njit` with `cache=True` as far as there is a place to keep what is compiled."""

    def compiled(function: Any) -> Any:
        try:
            return numba.njit(cache=True, **options)(function)
        except RuntimeError:  # numba's own places cannot be written
            folder = cache.private_folder(KERNELS)
        if folder is not None:
            config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
            try:
                return numba.njit(cache=True, **options)(function)
            except RuntimeError:
                config.CACHE_DIR = ""  # type: ignore[attr-defined]
        return numba.njit(**options)(function)

    return compiled
