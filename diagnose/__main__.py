"""The `diagnose` command."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is for the caller to pass on."""
    from diagnose.commands.program import run  # noqa: PLC0415  importing this module costs nothing

    return run(arguments)


if __name__ == "__main__":
    sys.exit(main())
