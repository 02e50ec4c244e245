"""Writers that are killed lose nothing that they were told is kept, and leave nothing by halves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import create_engine, delete, select

from diagnose.store.tables import steps
from tests.store.storm import problems, storm

if TYPE_CHECKING:
    from pathlib import Path

KILLS = 25
"""On each of the two databases; `tests/benchmarks/test_store.py` kills a thousand."""


def test_kill_at_any_moment(url: str, tmp_path: Path) -> None:
    told = storm(url, tmp_path, KILLS, seed=11)
    assert min(told.values()) > 0
    assert sum(told.values()) > KILLS, "they were killed before they wrote"
    assert list(problems(url, told)) == []


def test_it_would_be_seen_if_something_were_lost_or_there_twice(url: str, tmp_path: Path) -> None:
    told = storm(url, tmp_path, 4, seed=12)
    assert list(problems(url, {name: count + 2 for name, count in told.items()})) != []
    engine = create_engine(url)
    with engine.begin() as connection:
        last = select(steps.c.job_id, steps.c.seq).order_by(steps.c.seq.desc()).limit(1)
        job_id, seq = connection.execute(last).one()
        gone = delete(steps).where(steps.c.job_id == job_id, steps.c.seq == seq)
        assert connection.execute(gone).rowcount == 1
    engine.dispose()
    assert list(problems(url, told)) != []
