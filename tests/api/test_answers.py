"""What an answer has beside beliefs and tests: likely repairs, cautions once, replies, its size."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.machine_shapes import MachineDetails, MachineEntry
from diagnose.api.question import Question
from diagnose.api.shapes import Answer

from diagnose.job import Job
from diagnose.machine.load import load_machine

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.testclient import TestClient

PATH = "/v1/advice"


def test_likely_repairs_are_those_of_the_machine_and_add_up(
    client: TestClient, folder: Path, question: dict[str, Any]
) -> None:
    """Minutes of labour, by the machine's file: its own, opening and closing, and the check."""
    machine = load_machine("barn_cart", folder=folder)
    repairs = client.post(PATH, json=question).json()["likely_repairs"]
    assert repairs
    chances = [one["chance"] for one in repairs]
    assert chances == sorted(chances, reverse=True)
    assert chances[-1] >= 0.01
    for told in repairs:
        part = machine.parts[told["part"]]
        repair = next(one for one in part.repairs if one.id == told["repair"])
        area, opening = part.area, 0.0
        while area is not None:
            opening += machine.areas[area].open_minutes + machine.areas[area].close_minutes
            area = machine.areas[area].inside
        assert told["title"] == repair.title
        assert told["price_eur"] == repair.price_eur
        assert told["minutes"] == pytest.approx(
            repair.minutes + opening + machine.shop.check_minutes
        )


def test_the_first_repair_of_a_verdict_is_the_list_s(
    client: TestClient, question: dict[str, Any]
) -> None:
    """Tests set aside until a repair is proposed: its chance and minutes stand in the list too."""
    body = {**question, "set_aside": []}
    for _ in range(80):
        answer = client.post(PATH, json=body).json()
        if answer["verdict"]["action"] != "test":
            break
        body["set_aside"].append(answer["verdict"]["test"])
    verdict = answer["verdict"]
    assert verdict["action"] == "repair"
    assert verdict["target"] == f"{verdict['part']}.{verdict['repair']}"
    named = [(one["part"], one["repair"]) for one in answer["likely_repairs"]]
    assert (verdict["part"], verdict["repair"]) in named
    assert verdict["test"] is None


def test_what_is_set_aside_is_not_proposed(client: TestClient, question: dict[str, Any]) -> None:
    first = client.post(PATH, json=question).json()["verdict"]
    assert first["action"] == "test"
    second = client.post(PATH, json={**question, "set_aside": [first["test"]]}).json()
    assert second["verdict"]["test"] != first["test"]
    assert first["test"] not in {one["test"] for one in second["tests"]}


def test_a_doubted_finding_that_was_looked_at_again_is_not_asked_for_twice(
    client: TestClient, question: dict[str, Any]
) -> None:
    """A full battery, the relay heard to click and full volts measured where it makes contact,
    and the motor still: the same body asked again would ask for the same second look."""
    findings = [
        {"test": "battery_rest", "reading": 12.6},
        {"test": "coil_volts", "outcome": "full"},
        {"test": "trigger_ohms", "outcome": "open"},
    ]
    body = {**question, "findings": findings}
    asked = []
    for _ in range(len(findings) + 1):
        verdict = client.post(PATH, json=body).json()["verdict"]
        if verdict["action"] != "recheck":
            break
        assert verdict["test"] not in asked
        asked.append(verdict["test"])
        for finding in findings:
            if finding["test"] == verdict["test"]:
                finding["confirmed"] = True
    assert asked
    answer = client.post(PATH, json=body).json()
    assert answer["verdict"]["action"] != "recheck"
    confirmed = {one["test"] for one in answer["findings"] if one["confirmed"]}
    assert confirmed == set(asked)


def test_two_looks_that_differ_are_both_told(client: TestClient, question: dict[str, Any]) -> None:
    """As many as there are go into the belief, and come back; what no test gives is named."""
    told = {"test": "coil_volts", "outcome": "full", "others": ["none"]}
    answer = client.post(PATH, json={**question, "findings": [told]}).json()
    assert [one["others"] for one in answer["findings"]] == [["none"]]
    once = client.post(PATH, json={**question, "findings": [told | {"others": []}]}).json()
    assert answer["log_evidence"] < once["log_evidence"]
    wrong = client.post(PATH, json={**question, "findings": [told | {"others": ["nonne"]}]})
    assert wrong.status_code == 422
    assert "nonne" in wrong.text
    assert "none" in wrong.json()["detail"]


def test_each_caution_stands_once_and_none_is_missing(
    client: TestClient, folder: Path, question: dict[str, Any]
) -> None:
    machine = load_machine("barn_cart", folder=folder)
    response = client.post(PATH, json=question)
    answer = response.json()
    actions = (*answer["tests"], *answer["likely_repairs"])
    named = {name for one in actions for name in one["cautions"]}
    assert named
    assert answer["cautions"] == {name: machine.cautions[name].text for name in named}
    for text in answer["cautions"].values():
        assert response.text.count(json.dumps(text, ensure_ascii=False)) == 1


@pytest.mark.parametrize("most", [0, 2, 10_000])
def test_as_many_as_were_asked_for(client: TestClient, question: dict[str, Any], most: int) -> None:
    whole = client.post(PATH, json=question).json()
    cut = client.post(f"{PATH}?tests={most}&suspects={most}", json=question).json()
    assert cut["tests"] == whole["tests"][:most]
    assert cut["suspects"] == whole["suspects"][:most]
    assert cut["verdict"] == whole["verdict"]


def test_version_and_hash_of_the_machine_come_along(
    client: TestClient, folder: Path, question: dict[str, Any]
) -> None:
    answer = client.post(PATH, json=question).json()
    machine = load_machine("barn_cart", folder=folder)
    assert answer["machine_version"] == machine.version
    assert answer["machine_hash"] == machine.content_hash


def undescribed(shape: Any, content: Any) -> list[str]:
    """Fields that an answer has and its description has not."""
    extra = set(content) - set(shape.model_fields)
    return sorted(extra)


def test_no_field_is_told_that_is_not_described(
    client: TestClient, question: dict[str, Any]
) -> None:
    """Answers may grow, so the shapes are open; but what is there today is described."""
    body = {**question, "look_further": True, "jobs": 4, "open": ["seat"]}
    body["past"] = [{"part": "start_relay", "repair": "replace", "check": "same"}]
    answer = client.post(PATH, json=body).json()
    dumped = Answer.model_validate(answer).model_dump(exclude_unset=True)
    assert dumped == answer
    for entry in client.get("/v1/machines").json()["machines"]:
        assert not undescribed(MachineEntry, entry)
    details = client.get("/v1/machines/barn_cart").json()
    assert not undescribed(MachineDetails, details)


def test_answers_are_open_and_questions_are_closed(client: TestClient) -> None:
    shapes = client.get("/openapi.json").json()["components"]["schemas"]
    assert all("additionalProperties" not in shapes[name] for name in ("Answer", "Problem"))
    assert shapes["Question"]["additionalProperties"] is False
    assert set(Question.model_fields) == set(shapes["Question"]["properties"])


def test_the_engine_answers_the_same_without_http(
    client: TestClient, folder: Path, question: dict[str, Any]
) -> None:
    job = Job.open("barn_cart", "silent", folder=folder)
    job = job.record("battery_rest", 12.6).record("see_nest", "found")
    cut = job.advise().leading(suspects=3, tests=4)
    told = client.post(f"{PATH}?tests=4&suspects=3", json=question).json()
    assert told == json.loads(json.dumps(cut.to_dict()))
