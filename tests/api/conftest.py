"""The service over a small machine, in this process."""

from __future__ import annotations

import io
import time
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from tests.commands.carts import put_cart

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI

MAX_BODY_BYTES = 4_096


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the barn cart in it."""
    top = tmp_path_factory.mktemp("barn")
    put_cart(top)
    return top


@pytest.fixture(scope="session")
def app(folder: Path) -> FastAPI:
    url = f"sqlite:///{folder.parent / 'kept' / 'jobs.sqlite'}"
    settings = Settings(machines=folder, store=url, max_body_bytes=MAX_BODY_BYTES)
    made: FastAPI = create_app(settings, io.StringIO())
    return made


@pytest.fixture(scope="session")
def client(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app) as opened:
        for _ in range(1_200):
            if opened.get("/readyz").status_code == 200:
                break
            time.sleep(0.1)
        yield opened


@pytest.fixture
def question() -> dict[str, Any]:
    """A body with an outcome and a reading."""
    findings = [
        {"test": "battery_rest", "reading": 12.6, "unit": "V"},
        {"test": "see_nest", "outcome": "found"},
    ]
    return {"machine": "barn_cart", "complaint": "silent", "findings": findings}
