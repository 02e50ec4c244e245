"""`POST /v1/advice`: the engine's answer, whole and unchanged, whoever asks and how often."""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest

from diagnose.commands.program import run
from diagnose.job import Job

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.testclient import TestClient

PATH = "/v1/advice"


def numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [n for one in value.values() for n in numbers(one)]
    if isinstance(value, list):
        return [n for one in value for n in numbers(one)]
    return [value] if isinstance(value, int | float) else []


def test_the_answer_is_that_of_a_job(
    client: TestClient, question: dict[str, Any], folder: Path
) -> None:
    job = Job.open("barn_cart", "silent", folder=folder)
    job = job.record("battery_rest", 12.6).record("see_nest", "found")
    plain = json.loads(json.dumps(job.advise().to_dict()))
    assert client.post(PATH, json=question).json() == plain


def test_the_command_line_gives_the_same_answer(
    client: TestClient,
    question: dict[str, Any],
    folder: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = str(folder / "barn_cart" / "machine.yaml")
    words = ["advise", file, "--complaint", "silent", "--finding", "battery_rest=12.6V"]
    words += ["--finding", "see_nest=found", "--tool", "multimeter", "--open", "seat", "--json"]
    assert run(words) == 0
    body = {**question, "tools": ["multimeter"], "open": ["seat"]}
    assert client.post(PATH, json=body).json() == json.loads(capsys.readouterr().out)


def test_every_number_is_finite_and_every_chance_a_chance(
    client: TestClient, question: dict[str, Any]
) -> None:
    answer = client.post(PATH, json=question).json()
    assert all(math.isfinite(number) for number in numbers(answer))
    assert all(0.0 <= one["probability"] <= 1.0 for one in answer["suspects"])
    for test in answer["tests"]:
        assert sum(one["probability"] for one in test["outcomes"]) == pytest.approx(1.0)
        assert test["bits_per_minute"] == pytest.approx(test["gain_bits"] / test["minutes"])
        assert test["bits_per_added_minute"] == pytest.approx(
            test["gain_bits"] / test["added_minutes"]
        )
        assert test["added_minutes"] <= test["minutes"] + 1e-12
    ranked = [test["bits_per_added_minute"] for test in answer["tests"]]
    assert ranked == sorted(ranked, reverse=True)


def test_nothing_is_kept_between_requests(client: TestClient, question: dict[str, Any]) -> None:
    first = client.post(PATH, json=question).json()
    client.post(PATH, json={**question, "findings": [], "complaint": "slow_crank"})
    assert client.post(PATH, json=question).json() == first


def test_the_order_of_findings_changes_no_belief(
    client: TestClient, question: dict[str, Any]
) -> None:
    first = client.post(PATH, json=question).json()
    turned = {**question, "findings": question["findings"][::-1]}
    second = client.post(PATH, json=turned).json()
    assert second["log_evidence"] == pytest.approx(first["log_evidence"], abs=1e-10)
    before = {(s["part"], s["mode"]): s["probability"] for s in first["suspects"]}
    after = {(s["part"], s["mode"]): s["probability"] for s in second["suspects"]}
    assert after == pytest.approx(before, abs=1e-10)


@pytest.mark.parametrize(("reading", "unit"), [(12_600, "mV"), (0.0126, "kV"), (12.6, None)])
def test_a_reading_may_come_in_any_prefix(
    client: TestClient, question: dict[str, Any], reading: float, unit: str | None
) -> None:
    """Prefixes as in the SI Brochure, 9th edition (2019), table 7."""
    findings = [{"test": "battery_rest", "reading": reading}]
    if unit:
        findings[0]["unit"] = unit
    found = client.post(PATH, json={**question, "findings": findings}).json()["findings"][0]
    assert found["reading"] == pytest.approx(12.6)
    assert (found["unit"], found["outcome"]) == ("V", "charged")


def test_only_tests_for_the_tools_at_hand_come_back(
    client: TestClient, question: dict[str, Any]
) -> None:
    answer = client.post(PATH, json={**question, "tools": ["test_lamp"]}).json()
    tools = {test["tool"] for test in answer["tests"]}
    assert tools == {"none", "test_lamp"}


def test_an_open_area_saves_its_minutes(client: TestClient, question: dict[str, Any]) -> None:
    bare = {**question, "findings": []}
    (closed,) = _tests(client, bare, "see_fuse")
    (opened,) = _tests(client, {**bare, "open": ["seat"]}, "see_fuse")
    details = client.get("/v1/machines/barn_cart").json()
    (seat,) = (area for area in details["areas"] if area["id"] == "seat")
    assert (closed["opens"], opened["opens"]) == (["seat"], [])
    assert closed["minutes"] - opened["minutes"] == pytest.approx(
        seat["open_minutes"] + seat["close_minutes"]
    )


def test_what_an_open_area_makes_cheap_is_listed(
    client: TestClient, question: dict[str, Any]
) -> None:
    closed = client.post(PATH, json=question).json()
    opened = client.post(PATH, json={**question, "open": ["seat"]}).json()
    details = client.get("/v1/machines/barn_cart").json()
    (seat,) = (area for area in details["areas"] if area["id"] == "seat")
    assert (closed["while_open"], closed["closing_minutes"]) == ([], 0.0)
    assert opened["closing_minutes"] == seat["close_minutes"]
    assert {one["area"] for one in opened["while_open"]} == {"seat"}
    for one in opened["while_open"]:
        assert one["saved_minutes"] == seat["open_minutes"] + seat["close_minutes"]


def _tests(client: TestClient, body: dict[str, Any], test: str) -> list[dict[str, Any]]:
    tests = client.post(PATH, json=body).json()["tests"]
    return [one for one in tests if one["test"] == test]


def test_eight_threads_get_identical_answers(client: TestClient, question: dict[str, Any]) -> None:
    other = {**question, "complaint": "slow_crank", "findings": []}
    wanted = [client.post(PATH, json=body).content for body in (question, other)]

    def ask(number: int) -> bool:
        body = (question, other)[number % 2]
        return bool(client.post(PATH, json=body).content == wanted[number % 2])

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(ask, range(48)))
