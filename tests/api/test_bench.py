"""What a bench page is told beside advice: a test, a part, and the card of a machine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from diagnose.job import Job
from diagnose.machine.load import load_machine
from diagnose.paper.good import good_words

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.testclient import TestClient

    from diagnose.machine.model import Machine


@pytest.fixture(scope="module")
def cart(folder: Path) -> Machine:
    return load_machine("barn_cart", folder=folder)


@pytest.fixture(scope="module")
def job(client: TestClient) -> str:
    """Address of a job on the cart."""
    body = {"machine": "barn_cart", "complaint": "silent"}
    return str(client.post("/v1/jobs", json=body).headers["location"])


def test_every_test_is_told_as_the_terminal_tells_it(
    client: TestClient, cart: Machine, job: str
) -> None:
    """The words at the terminal are held by tests of their own."""
    known = Job.open(cart, "silent")
    for test in cart.tests.values():
        told = client.get(f"{job}/tests/{test.id}").json()
        assert told["good"] == good_words(known, test)
        assert [probe["net"] for probe in told["probes"]] == list(test.probes or ())
        assert [probe["end"] for probe in told["probes"]] in ([], ["red", "black"], ["tip", "clip"])
        assert [result["outcome"] for result in told["results"]] == [o.id for o in test.outcomes]
        assert [mind["id"] for mind in told["cautions"]] == list(test.cautions)
        assert (told["low"] is None) == (test.unit is None)


def test_why_tells_what_each_result_would_leave(client: TestClient, job: str) -> None:
    plain = client.get(f"{job}/tests/battery_rest").json()
    told = client.get(f"{job}/tests/battery_rest?why=true").json()
    assert all(result["leaves"] is None for result in plain["results"])
    assert plain["readings"] == []
    assert told["readings"][0]["part"] == ""
    for result in told["results"]:
        shares = [suspect["probability"] for suspect in result["leaves"] or []]
        assert shares == sorted(shares, reverse=True)
        assert (result["leaves"] is None) == (result["chance"] == 0.0)


def test_a_dash_stands_for_the_test_that_is_proposed(client: TestClient, job: str) -> None:
    verdict = client.get(f"{job}/advice?tests=0&suspects=0").json()["verdict"]
    assert verdict["action"] == "test"
    assert client.get(f"{job}/tests/-").json()["test"] == verdict["test"]


def test_a_part_is_told_with_all_that_belongs_to_it(
    client: TestClient, cart: Machine, job: str
) -> None:
    suspects: list[dict[str, Any]] = client.get(f"{job}/advice?tests=0").json()["suspects"]
    for part in cart.parts.values():
        told = client.get(f"{job}/parts/{part.id}").json()
        chances = {mode["id"]: mode["probability"] for mode in told["modes"]}
        known = {s["mode"]: s["probability"] for s in suspects if s["part"] == part.id}
        assert chances == known
        assert [repair["id"] for repair in told["repairs"]] == [r.id for r in part.repairs]
        nets = set(part.terminals.values()) - {cart.frame_net}
        about = {
            test.id
            for test in cart.tests.values()
            if part.id in test.parts or nets & set(test.probes or ())
        }
        assert {test["id"] for test in told["tests"]} == about


@pytest.mark.parametrize("path", ["tests/none", "parts/none", "parts/-"])
def test_what_the_machine_does_not_have_is_refused(client: TestClient, job: str, path: str) -> None:
    answer = client.get(f"{job}/{path}")
    assert answer.status_code == 422
    assert answer.json()["type"] == "/problems/unknown-name"


def test_the_card_is_a_page_that_loads_nothing(client: TestClient, cart: Machine) -> None:
    answer = client.get("/v1/machines/barn_cart/card?complaint=silent")
    assert answer.headers["content-type"].startswith("text/html")
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert cart.complaints["silent"].title in answer.text
    refused = client.get("/v1/machines/barn_cart/card?complaint=none")
    assert refused.status_code == 422


def test_a_job_as_a_page_shows_it_is_of_one_moment(client: TestClient, cart: Machine) -> None:
    """The same as its parts by themselves; the machine only where the client has it not."""
    body = {"machine": "barn_cart", "complaint": "silent"}
    job = str(client.post("/v1/jobs", json=body).headers["location"])
    for _ in range(2):
        told = client.get(f"{job}/bench?tests=3&suspects=4")
        whole = told.json()
        versions = {
            answer.headers["etag"].strip('"').partition("-")[0]
            for answer in (told, client.get(job))
        }
        assert len(versions) == 1
        assert whole["job"] == client.get(job).json()
        assert whole["advice"] == client.get(f"{job}/advice?tests=3&suspects=4").json()
        assert whole["test"] == client.get(f"{job}/tests/-").json()
        assert whole["machine"] == client.get("/v1/machines/barn_cart").json()
        step = {"kind": "finding", "test": "see_nest", "outcome": "found"}
        client.post(f"{job}/steps", json={"steps": [step]}, headers={"if-match": "*"})
    known = cart.content_hash
    for beginning, has_it in ((known[:12], True), (known, True), ("0" * 12, False)):
        other = {"known": ["ab" * 6, beginning], "test": "battery_rest"}
        shown = client.get(f"{job}/bench", params=other).json()
        assert (shown["machine"] is None) == has_it
        assert shown["test"]["test"] == "battery_rest"
    assert client.get(f"{job}/bench?test=no_such_test").json()["test"] is None
    assert client.get(f"{job}/bench?known=short").status_code == 422
