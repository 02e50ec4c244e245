"""The `diagnose` command."""

from __future__ import annotations

import gc
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is for the caller to pass on."""
    # Nothing here is large enough for several threads of a linear algebra library: see sums.py.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from diagnose.commands.program import run  # noqa: PLC0415  importing this one costs nothing

        return run(arguments)
    except KeyboardInterrupt:  # while that was imported
        return 130
    finally:
        # All of it goes with the process; Python would look through it for garbage before it ends,
        # which takes a quarter of a warm answer's time.
        gc.freeze()


if __name__ == "__main__":
    sys.exit(main())
