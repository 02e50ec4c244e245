"""Every refusal is a problem document: RFC 9457, sections 3 and 3.1 (members), 6.1 (media type)."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.problems import Problem
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from tests.api.conftest import MAX_BODY_BYTES
from tests.commands.carts import CLASH, put_cart, put_certain_cart

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI
    from httpx2 import Response

PATH = "/v1/advice"
ASKED = {"machine": "barn_cart", "complaint": "silent"}


def checked(response: Response, status: int, kind: str) -> dict[str, Any]:
    """The document, after checking what all of them have in common."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = json.loads(response.content, parse_constant=pytest.fail)
    Problem.model_validate(document)
    assert document["status"] == status
    assert document["type"] == f"/problems/{kind}"
    assert document["title"]
    assert document["detail"]
    return document


NAMES = [
    ({"complaint": "silnt"}, "complaint", "silnt", "silent"),
    ({"tools": ["multimetre"]}, "tools", "multimetre", "multimeter"),
    ({"open": ["seet"]}, "open", "seet", "seat"),
    ({"findings": [{"test": "see_nst", "outcome": "found"}]}, "findings[0]", "see_nst", "see_nest"),
    ({"findings": [{"test": "see_nest", "outcome": "fund"}]}, "findings[0]", "fund", "found"),
]


@pytest.mark.parametrize(("change", "place", "met", "nearest"), NAMES)
def test_an_unknown_name_comes_back_with_the_nearest(
    client: TestClient, change: dict[str, Any], place: str, met: str, nearest: str
) -> None:
    document = checked(client.post(PATH, json=ASKED | change), 422, "unknown-name")
    assert (document["place"], document["met"], document["nearest"]) == (place, met, nearest)
    assert nearest in document["expected"]
    assert nearest in document["detail"]


@pytest.mark.parametrize(
    "name", ["barn_crt", "../barn_cart", "/etc/machine.yaml", "barn_cart.yaml"]
)
def test_an_unknown_machine_is_not_found_and_no_path_is_opened(
    client: TestClient, name: str
) -> None:
    document = checked(client.post(PATH, json=ASKED | {"machine": name}), 404, "unknown-machine")
    assert document["expected"] == ["barn_cart"]


def test_an_unknown_machine_in_the_address(client: TestClient) -> None:
    document = checked(client.get("/v1/machines/barn_crt"), 404, "unknown-machine")
    assert document["nearest"] == "barn_cart"


READINGS = [
    ({"test": "battery_rest", "reading": 120.0}, "out-of-range", "120.0"),
    ({"test": "battery_rest", "reading": 12.6, "unit": "A"}, "wrong-unit", "12.6 A"),
    ({"test": "battery_rest", "reading": 12.6, "unit": "volt-amps"}, "wrong-unit", None),
    ({"test": "see_nest", "reading": 1.0}, "wrong-unit", "1.0"),
    ({"test": "battery_rest", "outcome": "12.6V"}, "unknown-name", "12.6V"),
    ({"test": "battery_rest", "reading": "12.6"}, "invalid-request", "12.6"),
    ({"test": "battery_rest", "reading": True}, "invalid-request", "True"),
    ({"test": "battery_rest"}, "invalid-request", None),
    ({"test": "battery_rest", "reading": 12.6, "outcome": "charged"}, "invalid-request", None),
    ({"test": "see_nest", "outcome": "found", "unit": "V"}, "invalid-request", None),
    ({"test": "see_nest", "outcome": "found", "colour": "red"}, "invalid-request", "red"),
]


@pytest.mark.parametrize(("finding", "kind", "met"), READINGS)
def test_a_finding_that_does_not_fit(
    client: TestClient, finding: dict[str, Any], kind: str, met: str | None
) -> None:
    good = {"test": "hear_relay", "outcome": "silent"}
    document = checked(client.post(PATH, json=ASKED | {"findings": [good, finding]}), 422, kind)
    assert document["place"].startswith("findings[1]")
    if met is not None:
        assert document["met"] == met


def test_the_same_test_twice(client: TestClient) -> None:
    findings = [{"test": "see_nest", "outcome": "found"}] * 2
    document = checked(
        client.post(PATH, json=ASKED | {"findings": findings}), 422, "invalid-request"
    )
    assert document["place"] == "findings[1]"


@pytest.mark.parametrize("number", [b"NaN", b"Infinity", b"-Infinity", b"1e999"])
def test_numbers_that_are_none_never_come_back(client: TestClient, number: bytes) -> None:
    text = json.dumps(ASKED | {"findings": [{"test": "battery_rest", "reading": 7}]}).encode()
    response = post(client, text.replace(b"7", number))
    checked(response, 422, "invalid-request")


def post(client: TestClient, content: bytes | Iterator[bytes]) -> Response:
    return client.post(PATH, content=content, headers={"content-type": "application/json"})


BROKEN = [
    b'{"machine": ',
    b"",
    b"\xff\xfe\x00",
    b"[" * 4_000,
    b'{"machine": ' + b"9" * 4_000 + b"}",
]


@pytest.mark.parametrize("content", BROKEN[:1] + BROKEN[2:4])
def test_a_body_that_is_not_json(client: TestClient, content: bytes) -> None:
    checked(post(client, content), 400, "unreadable-body")


@pytest.mark.parametrize("content", [b"", b"[]", b"null", b'"silent"', BROKEN[4]])
def test_a_body_that_is_no_question(client: TestClient, content: bytes) -> None:
    checked(post(client, content), 422, "invalid-request")


def test_half_a_character_is_refused_and_quoted(client: TestClient) -> None:
    checked(post(client, b'{"machine": "\\ud800", "complaint": "silent"}'), 422, "invalid-request")


def test_a_body_over_the_limit(client: TestClient) -> None:
    checked(post(client, b" " * (MAX_BODY_BYTES + 1)), 413, "body-too-long")


def test_a_body_that_grows_over_the_limit_while_it_is_read(client: TestClient) -> None:
    pieces = (b" " * 1_000 for _ in range(MAX_BODY_BYTES // 1_000 + 1))
    checked(post(client, pieces), 413, "body-too-long")


def test_a_body_just_within_the_limit_is_read(client: TestClient) -> None:
    text = json.dumps(ASKED).encode()
    assert post(client, text + b" " * (MAX_BODY_BYTES - len(text))).status_code == 200


def test_an_address_and_a_method_that_do_not_exist(client: TestClient) -> None:
    checked(client.get("/v1/engines"), 404, "not-found")
    response = client.delete(PATH)
    checked(response, 405, "wrong-method")
    assert response.headers["allow"] == "POST"  # RFC 9110, section 15.5.6


def test_findings_that_clash(tmp_path: Path) -> None:
    put_certain_cart(tmp_path)
    client = TestClient(create_app(Settings(machines=tmp_path)))
    findings = [{"test": test, "outcome": outcome} for test, outcome in CLASH.items()]
    findings.insert(0, {"test": "battery_rest", "outcome": "charged"})
    body = {"machine": "sure_cart", "complaint": "silent", "findings": findings}
    document = checked(client.post(PATH, json=body), 409, "clash")
    assert document["place"] == "findings"
    assert document["met"] == "coil_volts=full, trigger_ohms=open"


def test_a_machine_file_with_problems_is_no_fault_of_the_caller(tmp_path: Path) -> None:
    file = put_cart(tmp_path)
    file.write_text(file.read_text("utf-8").replace("kind: listen", "kind: lissen"), "utf-8")
    client = TestClient(create_app(Settings(machines=tmp_path)))
    for response in (client.post(PATH, json=ASKED), client.get("/v1/machines")):
        document = checked(response, 500, "machine-unusable")
        assert str(tmp_path) not in response.text
        assert "problem" in document["detail"]


def test_a_fault_of_the_service_says_nothing_of_its_inside() -> None:
    made: FastAPI = create_app(Settings())

    @made.get("/broken")
    def broken() -> None:
        raise ZeroDivisionError("secret")

    response = TestClient(made, raise_server_exceptions=False).get("/broken")
    checked(response, 500, "internal")
    assert "secret" not in response.text
