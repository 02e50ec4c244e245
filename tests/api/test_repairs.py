"""`POST /v1/advice` with repairs that were done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.job import Job

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.testclient import TestClient

PATH = "/v1/advice"


def asked(question: dict[str, Any], *, check: str | None) -> dict[str, Any]:
    done = {
        "findings": question["findings"],
        "part": "start_relay",
        "repair": "replace",
        "check": check,
    }
    return {**question, "past": [done], "findings": [{"test": "see_lamp", "outcome": "on"}]}


def test_the_answer_is_the_engines(
    client: TestClient, folder: Path, question: dict[str, Any]
) -> None:
    answer = client.post(PATH, json=asked(question, check="same")).json()
    job = Job.open("barn_cart", "silent", folder=folder).record("battery_rest", 12.6)
    job = job.record("see_nest", "found").repair("start_relay", "replace", check="same")
    job = job.record("see_lamp", "on")
    advice = job.advise()
    assert answer["verdict"]["target"] == advice.verdict.target
    assert answer["suspects"][0]["probability"] == advice.suspects[0].probability
    assert [one["repairs_before"] for one in answer["findings"]] == [0, 0, 1]
    (repair,) = answer["repairs"]
    assert (repair["part"], repair["check"]) == ("start_relay", question["complaint"])
    assert answer["mass_left_out"] == advice.mass_left_out
    assert answer["search"] == advice.search


def test_done(client: TestClient, question: dict[str, Any]) -> None:
    body = {**asked(question, check="runs"), "findings": []}
    assert client.post(PATH, json=body).json()["verdict"]["action"] == "done"


def test_a_wrong_name_says_where(client: TestClient, question: dict[str, Any]) -> None:
    body = asked(question, check=None)
    body["past"][0]["repair"] = "replce"
    problem = client.post(PATH, json=body).json()
    assert (problem["place"], problem["nearest"]) == ("past[0]", "replace")
    body = asked(question, check=None)
    body["past"][0]["findings"][1]["outcome"] = "fnd"
    problem = client.post(PATH, json=body).json()
    assert problem["place"].startswith("past[0].findings[1]")
    assert problem["nearest"] == "found"
