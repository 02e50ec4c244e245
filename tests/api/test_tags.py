"""Entity tags and `If-None-Match`: RFC 9110, sections 8.8.3, 13.1.2 and 15.4.5."""

from __future__ import annotations

import io
import time
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from diagnose.api.slots import Slots
from diagnose.api.tags import tags_of, told_tag, unchanged
from starlette.testclient import TestClient

from tests.api.test_jobs import CLOSED, MENDED, NEST, REST, add, opened, refused

if TYPE_CHECKING:
    from pathlib import Path

WITH_A_TAG = (
    "",
    "/advice",
    "/advice?tests=3",
    "/advice?at=1",
    "/sheet",
    "/sheet?at=0",
    "/bench",
    "/drawing",
    "/tests/-",
    "/parts/start_relay",
)
PLAIN = {"accept-encoding": "identity"}


@pytest.fixture(scope="module")
def job(client: TestClient) -> str:
    """Address of a job with two steps."""
    made = opened(client)
    add(client, made, REST, NEST)
    return made


def test_whatever_sends_a_tag_is_in_the_list(client: TestClient) -> None:
    """Every GET with a tag, by the description: with 304, and with the tag of both answers."""
    paths = client.get("/openapi.json").json()["paths"]
    listed = {path.partition("?")[0].replace("/-", "/{}") for path in WITH_A_TAG}
    listed = {path.replace("/start_relay", "/{}") for path in listed}
    described = set()
    for path, methods in paths.items():
        if "get" in methods and "ETag" in methods["get"]["responses"]["200"].get("headers", {}):
            told = methods["get"]
            assert told["responses"]["304"]["headers"]["ETag"]
            assert "If-None-Match" in {one["name"] for one in told["parameters"]}
            below, job, rest = path.partition("/v1/jobs/{job}")
            described.add(rest.replace("{test}", "{}").replace("{part}", "{}") if job else below)
    assert described == listed | {"/v1/machines/{machine}/priors"}
    for path in ("/v1/jobs", "/v1/machines", "/v1/machines/barn_cart", "/v1/orders", "/healthz"):
        assert "etag" not in client.get(path).headers


@pytest.mark.parametrize("path", WITH_A_TAG)
def test_an_answer_that_the_client_has_is_not_sent_again(
    client: TestClient, job: str, path: str
) -> None:
    for coding in (PLAIN, {"accept-encoding": "gzip"}):
        full = client.get(job + path, headers=coding)
        tag = full.headers["etag"]
        assert full.status_code == 200
        for have in (tag, f"W/{tag}", f'"other", {tag}', f',, {tag} , W/"x"', "*"):
            same = client.get(job + path, headers=coding | {"if-none-match": have})
            assert (same.status_code, same.content) == (304, b""), have
            if have != "*":
                assert same.headers["etag"] == tag
            headed = client.head(job + path, headers=coding | {"if-none-match": have})
            assert headed.status_code == 304
        for other in ('"other"', 'W/"1"', tag.strip('"'), f"{tag} {tag}", '"', "", f'"{tag}'):
            answer = client.get(job + path, headers=coding | {"if-none-match": other})
            assert (answer.status_code, answer.content) == (200, full.content), other


def test_a_tag_stands_for_its_bytes(client: TestClient, job: str) -> None:
    """Section 8.8.3.3: another coding, and another form, has another strong tag."""
    plain, squeezed = (
        client.get(f"{job}/advice", headers={"accept-encoding": coding}).headers
        for coding in ("identity", "gzip")
    )
    assert (plain.get("content-encoding"), squeezed["content-encoding"]) == (None, "gzip")
    assert squeezed["etag"] == f'{plain["etag"][:-1]}-gzip"'
    page = client.get(f"{job}/sheet", headers={"accept": "text/html"} | PLAIN).headers
    sheet = client.get(f"{job}/sheet", headers=PLAIN | {"if-none-match": page["etag"]})
    assert (sheet.status_code, sheet.headers["etag"] != page["etag"]) == (200, True)
    same = client.get(f"{job}/sheet", headers={"if-none-match": sheet.headers["etag"]})
    assert same.status_code == 304
    for name in ("vary", "cache-control"):  # section 15.4.5
        assert same.headers[name] == sheet.headers[name]


def test_any_tag_of_a_job_says_which_version_was_read(client: TestClient) -> None:
    job = opened(client)
    assert add(client, job, NEST).status_code == 201
    for path in ("", "/advice", "/sheet", "/drawing"):
        tag = client.get(job + path).headers["etag"]
        told = add(client, job, REST, if_match=tag)
        assert told.status_code == 201, (path, told.text)
        refused(add(client, job, REST, if_match=tag), 412, "changed")
        assert client.get(job + path, headers={"if-none-match": tag}).status_code == 200
        assert add(client, job, {"kind": "undone"}).status_code == 201
        weak = client.get(job + path).headers["etag"]
        refused(add(client, job, REST, if_match=f"W/{weak}"), 412, "changed")


def test_refusals_come_before_the_condition(client: TestClient, job: str) -> None:
    """Section 13.2.1: a condition is looked at where the answer would be 2xx without it."""
    star = {"if-none-match": "*"}
    refused(client.get("/v1/jobs/k3m8w2xq7v", headers=star), 404, "not-kept")
    refused(client.get(f"{job}/advice?at=3", headers=star), 422, "out-of-range")
    png = star | {"accept": "image/png"}
    refused(client.get(f"{job}/sheet", headers=png), 406, "not-acceptable")
    refused(client.get(f"{job}/advice?tests=-1", headers=star), 422, "invalid-request")


@pytest.mark.parametrize(
    ("field", "tags"),
    [
        ('"a"', [(False, "a")]),
        ('W/"a","b"', [(True, "a"), (False, "b")]),
        (' "a,b" ,, "" ', [(False, "a,b"), (False, "")]),
        ('"ä"', [(False, "ä")]),
        ('w/"a"', []),
        ('"a" "b"', []),
        ("a", []),
        ('"a', []),
        (",", []),
    ],
)
def test_a_list_of_tags(field: str, tags: list[tuple[bool, str]]) -> None:
    """Sections 5.6.1 and 8.8.3: empty members count for nothing, `W/` is case-sensitive."""
    assert tags_of(field) == tags


def test_another_program_sends_another_tag(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is worked out depends on the program, so an update must not be passed over."""
    before = told_tag(3)
    monkeypatch.setattr("diagnose.api.tags.program_mark", lambda: "another")
    assert told_tag(3) != before
    assert unchanged(before, told_tag(3)) is None


def answers(client: TestClient, job: str, at: str = "") -> list[Any]:
    paths = (f"/advice{at}", f"/sheet{at}", f"/drawing{at}")
    return [client.get(job + path).content for path in paths]


def test_an_answer_given_can_be_given_again(client: TestClient) -> None:
    """After every step, taken back and closed among them; and what was proposed is in the step."""
    job, given = opened(client), []
    undone = {"kind": "undone"}
    for step in (REST, NEST, undone, MENDED, CLOSED):
        given.append(answers(client, job))
        assert add(client, job, step).status_code == 201
    given.append(answers(client, job))
    kept = client.get(job).json()["steps"]
    for version, told in enumerate(given):
        assert answers(client, job, f"?at={version}") == told
        advice = client.get(f"{job}/advice?at={version}")
        assert advice.headers["etag"].startswith(f'"{version}-')
        if version < len(kept):
            verdict = advice.json()["verdict"]
            proposed = f"{verdict['action']} {verdict['target']}".rstrip()
            assert kept[version]["advised"] == proposed
    changed = [client.get(f"{job}/sheet?at={version}").json()["changed_at"] for version in (1, 5)]
    assert changed == sorted(set(changed))
    for never in ("6", "1000000"):
        problem = refused(client.get(f"{job}/advice?at={never}"), 422, "out-of-range")
        assert (problem["place"], problem["expected"]) == ("at", ["0 to 5"])
    refused(client.get(f"{job}/advice?at=-1"), 422, "invalid-request")


def test_a_file_that_was_not_met_yet_is_made_ready_in_a_dear_slot(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a job of an old file, or an old version of a job, never holds up cheap requests."""
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    settings, slots = Settings(machines=folder, store=url), list[bool]()
    run = Slots.run

    async def noted(self: Slots, request: Any, work: Any, *, dear: bool = False) -> Any:
        slots.append(dear)
        return await run(self, request, work, dear=dear)

    monkeypatch.setattr(Slots, "run", noted)
    with TestClient(create_app(settings, io.StringIO())) as client:
        while client.get("/readyz").status_code != 200:
            time.sleep(0.05)
        job = opened(client)
    with TestClient(create_app(settings, io.StringIO())) as client:
        while client.get("/readyz").status_code != 200:
            time.sleep(0.05)
        slots.clear()
        for _ in range(2):
            assert client.get(f"{job}/advice?at=0").status_code == 200
        assert slots == [False, True, False]
