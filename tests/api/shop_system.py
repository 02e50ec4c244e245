"""What a shop system does, from an empty store to a closed order, over HTTP.

The client is made from the service's own description: a function for each operation id.

    python -m tests.api.shop_system http://127.0.0.1:8000 [KEY]
"""

from __future__ import annotations

import json
import sys
import urllib.request
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: Any


class Client:
    """A function for each operation of an OpenAPI document; parameters go where it says."""

    def __init__(self, url: str, key: str | None = None) -> None:
        self._url = url
        self._key = key
        document = _send("GET", f"{url}/openapi.json", {}, None).body
        self._operations = {
            one["operationId"]: (method.upper(), path, one)
            for path, methods in document["paths"].items()
            for method, one in methods.items()
        }

    def __getattr__(self, operation: str) -> Callable[..., Answer]:
        if operation not in self._operations:
            raise AttributeError(operation)
        return partial(self._ask, *self._operations[operation])

    def _ask(
        self, method: str, path: str, described: dict[str, Any], body: Any = None, **given: Any
    ) -> Answer:
        headers, query = {"accept": given.pop("accept", "application/json")}, {}
        for parameter in described.get("parameters", []):
            name = parameter["name"]
            value = given.pop(name.lower().replace("-", "_"), None)
            if value is None:
                continue
            if parameter["in"] == "path":
                path = path.replace(f"{{{name}}}", quote(str(value)))
            elif parameter["in"] == "query":
                query[name] = value
            else:
                headers[name] = str(value)
        if given:
            raise TypeError(f"no parameters {sorted(given)}")
        if self._key is not None:
            headers["authorization"] = f"Bearer {self._key}"
        return _send(method, f"{self._url}{path}?{urlencode(query)}", headers, body)


def _send(method: str, url: str, headers: dict[str, str], body: Any) -> Answer:
    content = None if body is None else json.dumps(body).encode()
    if content is not None:
        headers = headers | {"content-type": "application/json"}
    request = urllib.request.Request(url, content, headers, method=method)  # noqa: S310
    with urllib.request.urlopen(request, timeout=120) as response:  # noqa: S310
        raw = response.read()
        told = {name.lower(): value for name, value in response.headers.items()}
        form = told.get("content-type", "")
        return Answer(response.status, told, json.loads(raw) if form == "application/json" else raw)


def work(url: str, machine: str, complaint: str, key: str | None = None) -> list[dict[str, Any]]:
    """Open a job, do what is advised until it is to be repaired, close it, take the order home.

    Of each test the likeliest outcome is told, and the first repair proposed helps.

    Returns:
        The rows of the table `orders`.
    """
    service = Client(url, key)
    opening = {"machine": machine, "complaint": complaint, "shop_reference": "R-2048"}
    opened = service.open_job(opening, idempotency_key="open-R-2048")
    assert service.open_job(opening, idempotency_key="open-R-2048").body == opened.body
    job, tag = opened.body["job"], opened.headers["etag"]
    for number in range(60):
        advice = service.job_advice(job=job, tests=3, suspects=3).body
        verdict = advice["verdict"]
        if verdict["action"] not in ("test", "recheck"):
            break
        step = _next_step(advice, verdict)
        told = service.add_steps(
            {"steps": [step]}, job=job, if_match=tag, idempotency_key=f"R-2048-{number}"
        )
        tag = told.headers["etag"]
    steps, part, repair = [], verdict["part"], verdict["repair"]
    if verdict["action"] == "repair":
        steps.append({"kind": "repaired", "part": part, "repair": repair, "shown": "runs"})
    told = service.add_steps({"steps": [*steps]}, job=job, if_match=tag) if steps else told
    closing = told.body["closing"]
    closed = {"kind": "closed", "ended": closing["ended"], "labour_minutes": 30, "note": "Done."}
    for question in closing["questions"]:
        for cause in question["choices"][:1]:
            closed |= {"cause_part": cause["part"], "cause_mode": cause["mode"]}
            closed["cause_seen"] = False
    tag = told.headers["etag"]
    told = service.add_steps({"steps": [closed]}, job=job, if_match=tag)
    assert told.body["status"] == "closed"
    assert b"Finding sheet" in service.job_sheet(job=job, accept="text/html").body
    lines = service.orders(accept="application/x-ndjson").body.splitlines()
    return [json.loads(line) for line in lines]


def _next_step(advice: dict[str, Any], verdict: dict[str, Any]) -> dict[str, Any]:
    if verdict["action"] == "recheck":
        found = {one["test"]: one["outcome"] for one in advice["findings"]}
        return {"kind": "looked_again", "test": verdict["test"], "outcome": found[verdict["test"]]}
    test = next(one for one in advice["tests"] if one["test"] == verdict["test"])
    likeliest = max(test["outcomes"], key=lambda outcome: float(outcome["probability"]))
    minutes = round(test["minutes"], 1)
    outcome = likeliest["outcome"]
    return {"kind": "finding", "test": test["test"], "outcome": outcome, "minutes": minutes}


def main() -> None:
    """Work one job of the walk-behind mower."""
    for order in work(sys.argv[1], "push_mower", "rope_broken", *sys.argv[2:3]):
        sys.stdout.write(json.dumps(order) + "\n")


if __name__ == "__main__":
    main()
