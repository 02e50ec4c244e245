"""What a command loads: help next to nothing, a warm question no more than it needs."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {"pgmpy", "pandas", "networkx", "pydantic", "ruamel", "fastapi", "uvicorn", "rich"} | {
    *("sqlalchemy", "alembic", "psycopg", "pyarrow"),
}
NUMBERS = {"numpy", "numba", "scipy"}


def loaded(*words: str) -> set[str]:
    """Top-level names in `sys.modules` after one command in a process of its own."""
    code = (
        "import sys\n"
        "from diagnose.__main__ import main\n"
        f"code = main({list(words)!r})\n"
        "names = {name.partition('.')[0] for name in sys.modules}\n"
        "print(*sorted(names), file=sys.stderr)\n"
        "sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    return set(done.stderr.splitlines()[-1].split())


@pytest.mark.parametrize(
    "words", [("--help",), ("advise", "--help"), ("serve", "--help"), ("store", "--help")]
)
def test_help_loads_no_library_for_numbers_or_networks(words: tuple[str, ...]) -> None:
    assert loaded(*words) & (HEAVY | NUMBERS) == set()


def test_a_warm_question_loads_only_numbers(cart: str) -> None:
    """SciPy is not in the list: numba itself loads it where it is installed."""
    words = ("advise", cart, "-c", "silent", "-f", "battery_rest=12.6V", "--json")
    loaded(*words)
    found = loaded(*words)
    assert "numba" in found
    assert found & HEAVY == set()


def test_only_reading_a_page_loads_rich(cart: str) -> None:
    found = loaded("advise", cart, "-c", "silent")
    assert found & HEAVY == {"rich"}
