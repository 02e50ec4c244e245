"""The look further over HTTP: on request, and then the engine's."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from starlette.testclient import TestClient

PATH = "/v1/advice"


def test_it_is_there_only_when_asked_for(client: TestClient, question: dict[str, Any]) -> None:
    plain = client.post(PATH, json=question).json()
    asked = {**question, "look_further": True, "jobs": 12}
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


@pytest.mark.parametrize(("jobs", "seed"), [(0, 0), (501, 0), ("some", 0), (40, -1)])
def test_a_number_that_cannot_be_is_refused(
    client: TestClient, question: dict[str, Any], jobs: object, seed: int
) -> None:
    body = {**question, "look_further": True, "jobs": jobs, "seed": seed}
    answer = client.post(PATH, json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


def test_the_same_request_gives_the_same_answer_under_load(
    client: TestClient, question: dict[str, Any]
) -> None:
    """However little time there is: four at once on one slot, none of them from what is kept."""
    body = {**question, "look_further": True, "jobs": 24, "seed": 3}
    alone = client.post(PATH, json=body).content

    def ask(number: int) -> bytes:
        return bytes(client.post(f"{PATH}?tests={500 + number}", json=body).content)

    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(ask, range(4))) == {alone}
    other = client.post(PATH, json={**body, "seed": 4}).json()["look_further"]
    first = json.loads(alone)["look_further"]
    assert (other["jobs"], first["seconds"]) == (first["jobs"], None)
