"""Memory stays within its bounds, however many different jobs are asked about."""

from __future__ import annotations

import io
import random
from typing import TYPE_CHECKING, Any

from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from diagnose.faults.solved import GROWN_BYTES
from diagnose.job import Job
from diagnose.kept import Kept
from diagnose.rule import prepared

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

ASKED = 120
BELIEFS = 400_000
"""Bytes of beliefs that are kept here, so that a hundred different ones do not fit."""


def questions(folder: Path) -> list[dict[str, Any]]:
    """Different jobs of the barn cart: findings, a repair that did not help, findings again."""
    machine = Job.open("barn_cart", "silent", folder=folder).machine
    seen = [test for test in machine.tests.values() if test.unit is None and test.cause is None]
    repairs = [(part.id, repair.id) for part in machine.parts.values() for repair in part.repairs]
    rng, made = random.Random(3), []  # noqa: S311
    for _ in range(ASKED):
        findings = [
            {"test": test.id, "outcome": rng.choice(test.outcomes).id, "sure": 0.6}
            for test in rng.sample(seen, 2)
        ]
        part, repair = rng.choice(repairs)
        past = [{"findings": findings, "part": part, "repair": repair, "check": "same"}]
        complaint = rng.choice([*machine.complaints])
        later = [{"test": seen[0].id, "outcome": rng.choice(seen[0].outcomes).id, "sure": 0.7}]
        body = {"machine": "barn_cart", "complaint": complaint, "past": past, "findings": later}
        made.append(body)
    return made


def test_more_repaired_machines_than_are_kept(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(prepared, "BELIEF_BYTES", BELIEFS)
    kept = Kept[prepared.Prepared](10**9, lambda held: held.nbytes, growing=True)
    monkeypatch.setattr(prepared, "_prepared", kept)
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    client = TestClient(create_app(Settings(machines=folder, store=url), io.StringIO()))
    base = Job.open("barn_cart", "silent", folder=folder).prepared.sets.nbytes
    held = []
    for body in questions(folder):
        response = client.post("/v1/advice", json=body)
        assert response.status_code in (200, 409), response.text
        held.append(kept.nbytes())
    assert max(held) > base
    slack = 4_000_000  # one belief too many, tables of extensions, arrays with room behind
    assert max(held) < base + BELIEFS + 2 * GROWN_BYTES + slack
    assert max(held[ASKED // 2 :]) < max(held[: ASKED // 2]) + BELIEFS + GROWN_BYTES
    (line,) = [
        one
        for one in client.get("/metrics").text.splitlines()
        if one.startswith('nostart_cache_bytes{cache="machines"}')
    ]
    assert float(line.split()[1]) == kept.nbytes()
