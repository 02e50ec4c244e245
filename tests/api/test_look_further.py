"""The look further over HTTP: on request, and then the engine's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from starlette.testclient import TestClient

PATH = "/v1/advice"


def test_it_is_there_only_when_asked_for(client: TestClient, question: dict[str, Any]) -> None:
    plain = client.post(PATH, json=question).json()
    asked = {**question, "look_further": True, "budget_ms": 20.0}
    looked = client.post(PATH, json=asked).json()
    assert "look_further" not in plain
    further = looked.pop("look_further")
    assert looked == plain
    tests = {one["test"] for one in plain["tests"]}
    for one in further["actions"]:
        assert one["action"] != "test" or one["target"] in tests
    assert further["minutes_left"] > 0.0
    assert 0.0 < further["and_then"][-1]["probability"] <= further["and_then"][0]["probability"]


def test_what_was_done_and_what_is_at_hand_count(
    client: TestClient, question: dict[str, Any]
) -> None:
    body = {**question, "tools": ["test_lamp"], "look_further": True}
    answer = client.post(PATH, json=body).json()
    allowed = {one["test"] for one in answer["tests"]}
    further = answer["look_further"]
    named = {one["target"] for one in further["actions"] if one["action"] == "test"}
    assert named <= allowed


@pytest.mark.parametrize("ms", [0.0, 2_001.0, "soon"])
def test_a_time_that_cannot_be_is_refused(
    client: TestClient, question: dict[str, Any], ms: object
) -> None:
    answer = client.post(PATH, json={**question, "look_further": True, "budget_ms": ms})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
