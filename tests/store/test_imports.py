"""The store by itself loads neither the engine nor what only some of its answers need."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

ENGINE = {"numpy", "numba", "scipy", "pandas", "pgmpy", "pydantic", "ruamel", "fastapi"}
SELDOM = {"alembic", "pyarrow", "psycopg"}


def test_a_store_is_opened_without_the_engine(tmp_path: Path) -> None:
    """Processes that only keep steps start quickly; the tables are made the first time only."""
    code = (
        "import sys\n"
        "from diagnose.store.store import Store\n"
        "store = Store.open(sys.argv[1])\n"
        "assert store.jobs('barn').jobs == () and store.check() == ()\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    words = [sys.executable, "-c", code, f"sqlite:///{tmp_path}/jobs.sqlite"]
    for first in (True, False):
        done = subprocess.run(words, check=True, capture_output=True, text=True)
        loaded = set(done.stdout.split())
        assert "sqlalchemy" in loaded
        assert loaded & (ENGINE | SELDOM) == ({"alembic"} if first else set())
