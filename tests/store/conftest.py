"""A store of each kind for every test: a SQLite file, and a real PostgreSQL server."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from diagnose.store.records import MachineFile
from diagnose.store.store import Store
from tests import databases

if TYPE_CHECKING:
    from collections.abc import Iterator

server = databases.server
new_database = databases.new_database
postgresql_url = databases.postgresql_url
url = databases.url

PUMP = MachineFile("barn_pump", "1.2", "machine: {id: barn_pump}\n", "{}")
"""Nobody reads it here; a store keeps any text."""


class Clock:
    """A time that stands still until it is moved on."""

    def __init__(self) -> None:
        self.at = datetime(2026, 11, 26, 8, 30, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def go_on(self, **time: float) -> None:
        self.at += timedelta(**time)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(url: str, clock: Clock) -> Iterator[Store]:
    """An empty store of one kind."""
    opened = Store.open(url, clock)
    yield opened
    opened.close()
