"""The manners of HTTP: RFC 9110 for methods and content types, RFC 9457 for errors."""

from __future__ import annotations

import gzip
import io
import json
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

if TYPE_CHECKING:
    from pathlib import Path

PATH = "/v1/advice"


@pytest.mark.parametrize("kind", [None, "text/plain", "application/x-www-form-urlencoded", "json"])
def test_a_body_that_is_not_announced_as_json_is_415(
    client: TestClient, question: dict[str, Any], kind: str | None
) -> None:
    """RFC 9110, section 15.5.16, with what would be taken in `Accept` (section 12.5.1)."""
    headers = {} if kind is None else {"content-type": kind}
    response = client.post(PATH, content=json.dumps(question).encode(), headers=headers)
    assert response.status_code == 415
    assert response.json()["type"] == "/problems/wrong-content-type"
    assert response.headers["accept"] == "application/json"


def test_a_character_set_may_stand_behind_the_content_type(
    client: TestClient, question: dict[str, Any]
) -> None:
    response = client.post(
        PATH,
        content=json.dumps(question).encode(),
        headers={"content-type": "Application/JSON; charset=utf-8"},
    )
    assert response.status_code == 200


@pytest.mark.parametrize("path", ["/v1/machines", "/v1/machines/barn_cart", "/healthz", "/readyz"])
def test_head_is_get_without_content(client: TestClient, path: str) -> None:
    """RFC 9110, section 9.3.2."""
    whole, head = client.get(path), client.head(path)
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-type"] == whole.headers["content-type"]


def test_methods_allowed_are_named(client: TestClient) -> None:
    response = client.delete("/v1/machines")
    assert (response.status_code, response.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize("path", ["/v1/machines/", "/v1/advice/", "//elsewhere.example/jobs/"])
def test_nothing_is_redirected_to_the_host_that_was_named(client: TestClient, path: str) -> None:
    response = client.get(path, headers={"host": "elsewhere.example"}, follow_redirects=False)
    assert response.status_code == 404
    assert "location" not in response.headers


def test_large_answers_are_compressed_for_who_takes_it(
    client: TestClient, question: dict[str, Any]
) -> None:
    with client.stream(
        "POST", PATH, json=question, headers={"accept-encoding": "gzip"}
    ) as response:
        raw = b"".join(response.iter_raw())
    assert response.headers["content-encoding"] == "gzip"
    plain = client.post(PATH, json=question, headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert gzip.decompress(raw) == plain.content
    assert len(raw) < len(plain.content) / 3
    small = client.get("/healthz", headers={"accept-encoding": "gzip"})
    assert "content-encoding" not in small.headers


@pytest.mark.parametrize("path", ["/v1/machines", "/nothing", "/healthz"])
def test_security_headers_are_on_every_answer(client: TestClient, path: str) -> None:
    """The OWASP REST security cheat sheet."""
    headers = client.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["cache-control"] == "no-store"


def test_a_request_keeps_the_id_it_came_with_if_that_is_plain(client: TestClient) -> None:
    given = client.get("/healthz", headers={"x-request-id": "tablet-2.17"}).headers
    assert given["x-request-id"] == "tablet-2.17"
    made = client.get("/healthz", headers={"x-request-id": "a b\tc" * 30}).headers
    assert made["x-request-id"].isalnum()
    assert len(made["x-request-id"]) == 16


def test_the_log_has_no_query_no_key_and_nothing_a_customer_said(tmp_path: Path) -> None:
    log = io.StringIO()
    service = create_app(Settings(machines=tmp_path), log)

    @service.get("/broken")
    def broken() -> None:
        raise ZeroDivisionError("secret words of a customer")

    caller = TestClient(service)
    caller.get("/secret/words?of=secret", headers={"authorization": "Bearer secret"})
    caller.get("/v1/machines/secret?secret=1")
    body = {"machine": "secret", "complaint": "secret"}
    caller.post("/v1/advice?tests=secret", json=body)
    assert caller.get("/broken").json()["type"] == "/problems/internal"
    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    assert "secret" not in log.getvalue()
    assert [line["route"] for line in lines if line["event"] == "request"] == [
        "none",
        "/v1/machines/{machine}",
        "/v1/advice",
        "/broken",
    ]
    (fault,) = [line for line in lines if line["event"] == "fault"]
    assert fault["error"] == "ZeroDivisionError"
    assert fault["place"][-1].startswith("tests.api.test_http:")
    assert all(line["request_id"] for line in lines)


def test_messages_are_in_the_words_of_http(client: TestClient, question: dict[str, Any]) -> None:
    twice = {**question, "findings": [{"test": "see_nest", "outcome": "found"}] * 2}
    detail = client.post(PATH, json=twice).json()["detail"]
    assert "findings[0]" in detail
    assert "retract" not in detail


def test_each_application_counts_for_itself(
    client: TestClient, question: dict[str, Any], folder: Path
) -> None:
    """The text format of Prometheus: `name{labels} value`, a line each."""
    client.post(PATH, json=question)
    text = client.get("/metrics").text
    assert 'nostart_requests_total{method="POST",route="/v1/advice",status="200"}' in text
    assert 'nostart_verdicts_total{action="' in text
    assert "nostart_advice_seconds_count" in text
    for cache in ("machines", "answers", "disk"):
        (line,) = [
            one
            for one in text.splitlines()
            if one.startswith(f'nostart_cache_bytes{{cache="{cache}"')
        ]
        assert float(line.split()[-1]) > 0.0
    other = TestClient(create_app(Settings(machines=folder))).get("/metrics").text
    assert "/v1/advice" not in other


def test_what_cannot_be_answered_in_time_is_503_with_when_to_ask_again(
    folder: Path, question: dict[str, Any]
) -> None:
    """RFC 9110, sections 15.6.4 and 10.2.3."""
    caller = TestClient(create_app(Settings(machines=folder, deadline_seconds=1e-6), io.StringIO()))
    new = {**question, "findings": [{"test": "battery_rest", "reading": 12.6321}]}
    response = caller.post(PATH, json=new)
    assert response.status_code == 503
    assert response.json()["type"] == "/problems/busy"
    assert int(response.headers["retry-after"]) > 0
    assert caller.get("/healthz").status_code == 200


def test_any_method_can_come_but_not_be_counted_by_itself(client: TestClient) -> None:
    for number in range(5):
        assert client.request(f"ODD{number}", "/healthz").status_code == 405
    text = client.get("/metrics").text
    assert "ODD" not in text
    assert 'method="other"' in text
