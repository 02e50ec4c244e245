"""Kept jobs over HTTP: steps, two at once, once only, sheets, drawings, the two tables."""

from __future__ import annotations

import csv
import io
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import pyarrow.parquet
import pytest

from diagnose.job import Job
from diagnose.paper.sheet import sheet
from diagnose.steps.columns import columns

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from httpx2 import Response
    from starlette.testclient import TestClient

Step = dict[str, Any]
NEST: Step = {"kind": "finding", "test": "see_nest", "outcome": "found"}
REST: Step = {"kind": "finding", "test": "battery_rest", "reading": 12_600, "unit": "mV"}
MENDED: Step = {
    "kind": "repaired", "part": "start_relay", "repair": "replace", "shown": "runs", "minutes": 15,
}  # fmt: skip
CLOSED: Step = {
    "kind": "closed", "ended": "runs", "cause_part": "start_relay", "cause_mode": "coil_open",
    "cause_seen": True, "labour_minutes": 22.5, "note": "Damp.",
}  # fmt: skip


def opened(client: TestClient, **more: Any) -> str:
    """Address of a new job."""
    body = {"machine": "barn_cart", "complaint": "silent"} | more
    response = client.post("/v1/jobs", json=body)
    assert response.status_code == 201, response.text
    place: str = response.headers["location"]
    return place


def add(client: TestClient, job: str, *steps: Step, **headers: str) -> Response:
    """Steps added to a job, by default to its version of now."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    if "if-match" not in named:
        named["if-match"] = client.get(job).headers["etag"]
    return client.post(f"{job}/steps", json={"steps": list(steps)}, headers=named)


def refused(response: Response, status: int, kind: str) -> dict[str, Any]:
    problem: dict[str, Any] = response.json()
    assert (response.status_code, problem["type"]) == (status, f"/problems/{kind}")
    return problem


def test_a_job_is_the_replay_of_its_steps(client: TestClient, folder: Path) -> None:
    job = opened(client)
    told = add(client, job, REST, NEST)
    assert told.status_code == 201
    assert told.headers["etag"] == '"2"'
    first = told.json()["steps"][0]
    assert (first["reading"], first["unit"], first["outcome"]) == (12.6, "V", "charged")
    assert first["advised"].startswith("test ")
    played = Job.open("barn_cart", "silent", folder=folder)
    played = played.record("battery_rest", 12.6).record("see_nest", "found")
    advice = client.get(f"{job}/advice?tests=5&suspects=5")
    assert advice.json() == json.loads(json.dumps(played.advise().leading(5, 5).to_dict()))
    assert advice.headers["etag"].startswith('"2-')


EVERY: list[tuple[Step, Callable[[Job], Job]]] = [
    ({"kind": "told", "complaint": "slow_crank"}, lambda job: job.reported("slow_crank")),
    (NEST, lambda job: job.record("see_nest", "found")),
    (
        {"kind": "looked_again", "test": "see_nest", "outcome": "found"},
        lambda job: job.confirm("see_nest"),
    ),
    ({"kind": "withdrawn", "test": "see_nest"}, lambda job: job.retract("see_nest")),
    (
        {"kind": "set_aside", "test": "battery_rest", "note": "no meter"},
        lambda job: job.skip("battery_rest", "no meter"),
    ),
    ({"kind": "area_opened", "area": "seat"}, lambda job: job.open_area("seat")),
    ({"kind": "area_closed", "area": "seat"}, lambda job: job.close_area("seat")),
    ({"kind": "tools", "tools": ["test_lamp"]}, lambda job: job.at_hand(["test_lamp"])),
    (
        {"kind": "repaired", "part": "start_relay", "repair": "replace"},
        lambda job: job.repair("start_relay", "replace"),
    ),
    ({"kind": "tried", "shown": "same"}, lambda job: job.check("same")),
    ({"kind": "undone"}, lambda job: job.undo()),
    ({"kind": "tried", "shown": "other"}, lambda job: job.check("other")),
    ({"kind": "moved"}, lambda job: job),
    ({"kind": "handed_over", "note": "no time"}, lambda job: job),
    ({"kind": "reopened"}, lambda job: job),
]


def test_every_kind_of_step_is_a_method_of_job(client: TestClient, folder: Path) -> None:
    job, played = opened(client), Job.open("barn_cart", "silent", folder=folder)
    for step, method in EVERY:
        told = add(client, job, step)
        assert told.status_code == 201, (step, told.text)
        played = method(played)
        answer = client.get(f"{job}/advice?tests=3&suspects=3").json()
        assert answer == json.loads(json.dumps(played.advise().leading(3, 3).to_dict())), step
    assert add(client, job, CLOSED | {"ended": "given_up"}).json()["status"] == "closed"
    assert {step["kind"] for step, _ in EVERY} | {"closed"} == {
        *("told", "finding", "looked_again", "withdrawn", "set_aside", "area_opened"),
        *("area_closed", "tools", "repaired", "tried", "undone", "moved", "handed_over"),
        *("reopened", "closed"),
    }


def test_all_steps_are_kept_or_none_and_the_place_is_told(client: TestClient) -> None:
    job = opened(client)
    problem = refused(add(client, job, REST, NEST | {"outcome": "fund"}), 422, "unknown-name")
    assert problem["place"] == "steps[1].outcome"
    assert problem["nearest"] == "found"
    assert client.get(job).json()["version"] == 0


def test_whoever_writes_says_what_he_has_read(client: TestClient) -> None:
    """RFC 9110, section 13.1.1; RFC 6585, section 3."""
    job = opened(client)
    bare = client.post(f"{job}/steps", json={"steps": [NEST]})
    refused(bare, 428, "no-condition")
    assert add(client, job, NEST, if_match='"0"').status_code == 201
    problem = refused(add(client, job, REST, if_match='"0"'), 412, "changed")
    assert problem["version"] == 1
    assert [step["test"] for step in problem["added"]] == ["see_nest"]
    for never in ('"7"', 'W/"1"', "1", '"one"'):
        refused(add(client, job, REST, if_match=never), 412, "changed")
    assert add(client, job, REST, if_match='"9", "1"').status_code == 201
    assert add(client, job, {"kind": "undone"}, if_match="*").headers["etag"] == '"3"'


def test_two_tablets_at_once_lose_nothing(client: TestClient) -> None:
    """Each reads, writes, and where another was first reads again."""
    job = opened(client)
    tests = ["see_nest", "see_lamp", "hear_relay", "see_fuse"]
    details = client.get("/v1/machines/barn_cart").json()["tests"]
    outcomes = {one["id"]: one["outcomes"][0]["id"] for one in details}

    def write(test: str) -> int:
        tries = 0
        while True:
            tries += 1
            step = {"kind": "finding", "test": test, "outcome": outcomes[test], "sure": 0.6}
            response = add(client, job, step)
            if response.status_code == 201:
                return tries
            refused(response, 412, "changed")

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, tests))
    kept = client.get(job).json()["steps"]
    assert sorted(step["test"] for step in kept) == sorted(tests)
    assert [step["seq"] for step in kept] == [1, 2, 3, 4]


def test_the_same_key_has_the_same_answer(client: TestClient) -> None:
    """draft-ietf-httpapi-idempotency-key-header, section 2.6; the quotes may be left out."""
    body = {"machine": "barn_cart", "complaint": "silent"}
    first = client.post("/v1/jobs", json=body, headers={"idempotency-key": '"open-1"'})
    again = client.post("/v1/jobs", json=body, headers={"idempotency-key": "open-1"})
    assert again.content == first.content
    assert again.headers["location"] == first.headers["location"]
    job = first.headers["location"]
    step = add(client, job, NEST, if_match='"0"', idempotency_key="step-1")
    add(client, job, REST)
    same = add(client, job, NEST, if_match='"0"', idempotency_key="step-1")
    assert (same.status_code, same.content) == (201, step.content)
    assert client.get(job).json()["version"] == 2
    other = add(client, job, REST, if_match='"0"', idempotency_key="step-1")
    refused(other, 422, "key-reused")


def test_a_key_whose_request_failed_may_be_used_again(client: TestClient) -> None:
    job = opened(client)
    wrong = add(client, job, NEST | {"outcome": "fund"}, if_match='"0"', idempotency_key="k-2")
    assert wrong.status_code == 422
    right = add(client, job, NEST, if_match='"0"', idempotency_key="k-2")
    assert right.status_code == 201


def test_a_key_in_flight_is_refused(client: TestClient) -> None:
    """Of the same request many times at once, each is answered the same or told to wait."""
    job = opened(client)

    def write(_: int) -> Response:
        return add(client, job, NEST, if_match='"0"', idempotency_key="storm")

    with ThreadPoolExecutor(6) as pool:
        told = list(pool.map(write, range(12)))
    done = {one.content for one in told if one.status_code == 201}
    assert len(done) == 1
    for one in told:
        if one.status_code != 201:
            refused(one, 409, "in-flight")
            assert one.headers["retry-after"]
    assert client.get(job).json()["version"] == 1


def test_jobs_are_listed_page_by_page(client: TestClient) -> None:
    made = [opened(client, shop_reference="page-by-page") for _ in range(5)]
    listed, cursor = [], ""
    while cursor is not None:
        query = f"shop_reference=page-by-page&limit=2{f'&cursor={cursor}' if cursor else ''}"
        page = client.get(f"/v1/jobs?{query}").json()
        listed += [f"/v1/jobs/{one['job']}" for one in page["jobs"]]
        cursor = page["cursor"]
    assert listed == made[::-1]
    add(client, made[2], {"kind": "handed_over"})
    found = client.get("/v1/jobs?shop_reference=page-by-page&status=handed_over").json()["jobs"]
    assert [f"/v1/jobs/{one['job']}" for one in found] == [made[2]]
    since = client.get(made[2]).json()["changed_at"].replace("+", "%2B")
    query = f"shop_reference=page-by-page&machine=barn_cart&since={since}"
    assert len(client.get(f"/v1/jobs?{query}").json()["jobs"]) == 1
    refused(client.get("/v1/jobs?cursor=elsewhere"), 422, "invalid-request")


def test_a_comeback_names_an_order_that_is_there(client: TestClient) -> None:
    first = ended(client)
    name = first.rpartition("/")[2]
    near = name[:-1] + ("2" if name[-1] != "2" else "3")
    body = {"machine": "barn_cart", "complaint": "silent"}
    problem = refused(
        client.post("/v1/jobs", json=body | {"comeback_of": near}), 422, "unknown-name"
    )
    assert (problem["place"], problem["met"], problem["nearest"]) == ("comeback_of", near, name)
    back = opened(client, comeback_of=name)
    problem = refused(add(client, back, CLOSED | {"comeback_of": near}), 422, "unknown-name")
    assert (problem["place"], problem["nearest"]) == ("steps[0].comeback_of", name)
    assert add(client, back, CLOSED).status_code == 201
    rows = rows_of(client, "/v1/orders", "application/x-ndjson")
    (row,) = [row for row in rows if row["order_id"] == back.rpartition("/")[2]]
    told = client.get(back).json()["opened_at"], client.get(first).json()["closed_at"]
    opened_at, closed_at = (datetime.fromisoformat(moment) for moment in told)
    days = (opened_at - closed_at).total_seconds() / 86_400
    assert row["days_to_comeback"] == pytest.approx(days, abs=1e-4)


def test_a_path_is_no_machine(client: TestClient, folder: Path) -> None:
    file = str(folder / "barn_cart" / "machine.yaml")
    body = {"machine": file, "complaint": "silent"}
    refused(client.post("/v1/jobs", json=body), 404, "unknown-machine")


def test_closing_asks_for_what_is_missing_in_two_questions_at_most(client: TestClient) -> None:
    job = opened(client)
    told = add(client, job, MENDED).json()
    closing = told["closing"]
    assert closing["ended"] == "runs"
    assert closing["labour_minutes"] == 15.0
    assert 1 <= len(closing["questions"]) <= 2
    asked = {name for question in closing["questions"] for name in question["asks"]}
    assert asked <= set(CLOSED)
    choices = closing["questions"][0]["choices"]
    assert {"part": "start_relay", "mode": "coil_open"} in choices
    done = add(client, job, CLOSED).json()
    assert (done["status"], done["closing"]) == ("closed", None)
    refused(add(client, job, NEST), 409, "wrong-state")


def ended(client: TestClient) -> str:
    """Address of a job that is closed."""
    job = opened(client, shop_reference="R-7 <b>")
    assert add(client, job, REST, NEST, MENDED, CLOSED).status_code == 201
    return job


class Text(HTMLParser):
    """The text of a page, and its tags."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        del attrs
        self.tags.append(tag)


def test_the_sheet_is_that_of_the_bench(client: TestClient, folder: Path) -> None:
    job = opened(client, shop_reference="R-7 <b>")
    add(client, job, REST, NEST)
    played = Job.open("barn_cart", "silent", folder=folder)
    played = played.record("battery_rest", 12.6).record("see_nest", "found")
    wanted = sheet(played, played.advise())
    told = client.get(f"{job}/sheet").json()
    lines = [(line["mark"], line["text"]) for part in told["sections"] for line in part["lines"]]
    assert lines == [(line.mark, line.text) for part in wanted.sections for line in part.lines]
    page = client.get(f"{job}/sheet", headers={"accept": "text/html, */*;q=0.1"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    text = Text(page.text)
    assert "b" not in text.tags
    assert "script" not in text.tags
    assert "R-7 <b>" in "".join(text.words)
    for _, line in lines:
        assert line in text.words
    assert "@page" in page.text


def test_the_drawing_shows_suspects_and_where_to_probe(client: TestClient) -> None:
    job = opened(client)
    while True:
        advice = client.get(f"{job}/advice").json()
        test = advice["verdict"]["test"]
        kinds = {one["id"]: one for one in client.get("/v1/machines/barn_cart").json()["tests"]}
        if kinds[test]["unit"] == "V":
            break
        add(client, job, {"kind": "set_aside", "test": test})
    response = client.get(f"{job}/drawing")
    assert response.headers["content-type"].startswith("image/svg+xml")
    assert "script" not in response.headers["content-security-policy"]
    root = ElementTree.fromstring(response.text)  # noqa: S314  our own
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "probe" in response.text
    assert "%" in "".join(root.itertext())


def rows_of(client: TestClient, path: str, form: str) -> list[dict[str, Any]]:
    content = client.get(path, headers={"accept": form}).content
    if form == "text/csv":
        return list(csv.DictReader(io.StringIO(content.decode())))
    if form == "application/x-ndjson":
        return [json.loads(line) for line in content.splitlines()]
    found: list[dict[str, Any]] = pyarrow.parquet.read_table(io.BytesIO(content)).to_pylist()
    return found


@pytest.mark.parametrize(
    "form", ["application/x-ndjson", "text/csv", "application/vnd.apache.parquet"]
)
def test_closed_jobs_are_the_two_tables(client: TestClient, form: str) -> None:
    job = ended(client).rpartition("/")[2]
    orders = [row for row in rows_of(client, "/v1/orders", form) if row["order_id"] == job]
    steps = [row for row in rows_of(client, "/v1/orders/steps", form) if row["order_id"] == job]
    (order,) = orders
    assert list(order) == [column.name for column in columns()["orders"]]
    assert list(steps[0]) == [column.name for column in columns()["steps"]]
    assert (order["cause_part"], order["ended"]) == ("start_relay", "runs")
    assert float(order["labour_minutes"]) == 22.5
    assert [row["kind"] for row in steps] == ["finding", "finding", "repaired", "closed"]


def test_forms_that_there_are_not_are_refused(client: TestClient) -> None:
    """RFC 9110, section 15.5.7, and 12.5.1 for what `Accept` says."""
    problem = refused(
        client.get("/v1/orders", headers={"accept": "image/png"}), 406, "not-acceptable"
    )
    assert "text/csv" in problem["expected"]
    liked = client.get("/v1/orders", headers={"accept": "text/csv;q=0.3, application/*;q=0.2"})
    assert liked.headers["content-type"].startswith("text/csv")
    refused(client.get("/v1/orders", headers={"accept": "*/*;q=0"}), 406, "not-acceptable")


def test_a_job_goes_on_with_the_file_it_was_opened_with_until_it_is_moved(
    client: TestClient, folder: Path
) -> None:
    file = folder / "barn_cart" / "machine.yaml"
    text = file.read_text("utf-8")
    job = opened(client)
    before = client.get(f"{job}/advice").json()
    try:
        file.write_text(text.replace("Larkfield barn cart", "Larkfield barn cart, mended"), "utf-8")
        kept = client.get(f"{job}/advice?tests=400").json()
        assert kept["machine_hash"] == before["machine_hash"]
        assert kept["suspects"] == before["suspects"]
        moved = add(client, job, {"kind": "moved"}).json()
        assert moved["machine_hash"] != before["machine_hash"]
        assert client.get(f"{job}/advice").json()["machine_hash"] == moved["machine_hash"]
        assert "mended" in client.get(f"{job}/sheet").json()["machine"]
    finally:
        file.write_text(text, "utf-8")


def test_jobs_are_found_by_what_is_known_of_them(client: TestClient) -> None:
    """Words of number, note, complaint, machine and part at fault; all of them, on all pages."""
    marked = [opened(client, shop_reference=f"Quince-{number}") for number in range(3)]
    end = CLOSED | {"note": "Mouse at 100 % of the loom."}
    assert add(client, marked[0], NEST, end).status_code == 201

    def found(words: str, **more: Any) -> list[str]:
        told = client.get("/v1/jobs", params={"search": words} | more).json()
        return [f"/v1/jobs/{job['job']}" for job in told["jobs"]]

    assert found("quince") == marked[::-1]
    assert found("quince", limit=1) == marked[-1:]
    cursor = client.get("/v1/jobs?search=quince&limit=2").json()["cursor"]
    assert found("quince", cursor=cursor) == marked[:1]
    assert found("QUINCE-1") == [marked[1]]
    assert found("quince mouse") == found("quince relay") == [marked[0]]
    assert found("quince 100 %") == [marked[0]]  # no sign of the store's own
    assert found("quince larkfield cart") == marked[::-1]  # title of the machine
    assert found("quince", status="closed") == [marked[0]]
    assert found("quince pear") == []
