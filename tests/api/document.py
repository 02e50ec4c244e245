"""Writes `api/examples.json` and `api/openapi.json`: `python -m tests.api.document`."""

from __future__ import annotations

import io
import json
import tempfile
from typing import Any

from diagnose.api import problems
from diagnose.api.app import create_app
from diagnose.api.examples import FILE
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from diagnose.machine.load import load_machine
from diagnose.store.store import Store
from tests.api.priors_files import learnt_priors

DOCUMENT = FILE.with_name("openapi.json")
MACHINE = "push_mower"
BARE = {"machine": MACHINE, "complaint": "rope_broken"}
MORE = BARE | {
    "findings": [
        {"test": "look_rope", "outcome": "no"},
        {"test": "lead_ohms", "reading": 5.2, "unit": "kohm"},
    ],
    "past": [
        {
            "findings": [{"test": "watch_screen", "outcome": "no"}],
            "part": "recoil",
            "repair": "new_rope",
            "check": "same",
        }
    ],
}
LOOK = BARE | {"look_further": True, "jobs": 12, "seed": 1}

NOT_SHOWN = {
    problems.CLASH: (
        "these findings cannot all be true: coil_volts=full, trigger_ohms=open",
        {"place": "findings", "met": "coil_volts=full, trigger_ohms=open"},
    ),
    problems.MACHINE_FILE: ("the machine's file has 2 problem(s)", {}),
    problems.FULL: ("too many steps of a job; at most 1,000 are kept", {}),
    problems.IN_FLIGHT: (
        "a request with this idempotency key is still being worked on; ask again later",
        {},
    ),
    problems.TOO_MANY: ("more than 1,200 requests in a minute", {}),
    problems.BUSY: ("no answer within the time that a request may take", {}),
    problems.STORE: (problems.STORE_WORDS, {}),
    problems.STUCK: ("nobody has answered for some time", {}),
    problems.NOT_READY: ("2 machines are ready, the others are on their way", {}),
}
"""Problems that a conversation does not come upon by itself."""


MOST = 3


def cut(answer: Any) -> Any:
    """An answer with no list longer than three."""
    if isinstance(answer, dict):
        return {name: cut(value) for name, value in answer.items()}
    return [cut(value) for value in answer[:MOST]] if isinstance(answer, list) else answer


class Conversation:
    """A client, and what it asked and was answered."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.operations: dict[str, Any] = {}
        self.problems: dict[str, Any] = {}
        for kind, (detail, members) in NOT_SHOWN.items():
            body = problems.respond(kind, detail, **members).body
            self.problems[kind.name] = json.loads(body)

    def ask(self, operation: str, method: str, path: str, name: str = "", **how: Any) -> Any:
        """Ask, and keep what was answered."""
        response = self.client.request(method, path, **how)
        form = response.headers["content-type"].partition(";")[0]
        if form == problems.MEDIA_TYPE:
            told = response.json()
            self.problems.setdefault(told["type"].rpartition("/")[2], told)
            return response
        kept = self.operations.setdefault(operation, {})
        if name:
            kept.setdefault("asked", {})[name] = how["json"]
        if "json" in form:
            answer = cut(response.json()) if form == "application/json" else response.text
        else:
            answer = response.text[:400] if "parquet" not in form else "PAR1..."
        kept.setdefault("answered", {}).setdefault(str(response.status_code), {}).setdefault(
            form, answer
        )
        return response


def conversation(client: TestClient) -> Conversation:
    """Everything that can be asked, asked once."""
    told = Conversation(client)
    _stateless(told)
    _jobs(told)
    _priors(told)
    return told


def _stateless(told: Conversation) -> None:
    advice = "/v1/advice?tests=2&suspects=3"
    told.ask("advice", "POST", advice, "a complaint alone", json=BARE)
    told.ask("advice", "POST", advice, "findings, and a repair that did not help", json=MORE)
    told.ask("advice", "POST", advice, "how it is likely to go on", json=LOOK)
    told.ask("machines", "GET", "/v1/machines")
    told.ask("machine", "GET", f"/v1/machines/{MACHINE}")
    told.ask("machine_card", "GET", f"/v1/machines/{MACHINE}/card?complaint=rope_broken")
    told.ask("health", "GET", "/healthz")
    told.ask("readiness", "GET", "/readyz")
    told.ask("metrics", "GET", "/metrics")
    typed = {"headers": {"content-type": "application/json"}}
    told.ask("advice", "POST", "/v1/advice", content=b'{"machine": ', **typed)
    told.ask("advice", "POST", "/v1/advice", content=b" " * 70_000, **typed)
    told.ask("advice", "POST", "/v1/advice", content=b"{}")
    told.ask("advice", "POST", "/v1/advice", json={"machine": MACHINE})
    told.ask("advice", "POST", "/v1/advice", json=BARE | {"complaint": "rope_brokn"})
    told.ask("machine", "GET", "/v1/machines/push_mowr")
    for reading, unit in ((5.0, "V"), (-3.0, "kohm")):
        finding = {"test": "lead_ohms", "reading": reading, "unit": unit}
        told.ask("advice", "POST", "/v1/advice", json=BARE | {"findings": [finding]})


def _jobs(told: Conversation) -> None:
    opening = BARE | {"shop_reference": "R-2048", "by": "Ana"}
    once = {"Idempotency-Key": "8e03978e-40d5-43dd-bc93-6894a57f9324"}
    opened = told.ask("open_job", "POST", "/v1/jobs", "a job", json=opening, headers=once)
    told.ask("open_job", "POST", "/v1/jobs", json=BARE, headers=once)
    job = opened.headers["location"]
    told.ask("jobs", "GET", "/v1/jobs?status=open")
    told.ask("job_advice", "GET", f"{job}/advice?tests=2&suspects=3")
    seen = {"steps": [{"kind": "finding", "test": "look_rope", "outcome": "no", "minutes": 0.5}]}
    first = {"If-Match": opened.headers["etag"]}
    told.ask("add_steps", "POST", f"{job}/steps", json=seen)
    step = told.ask("add_steps", "POST", f"{job}/steps", "a finding", json=seen, headers=first)
    told.ask("add_steps", "POST", f"{job}/steps", json=seen, headers=first)
    mended = {
        "steps": [
            {"kind": "repaired", "part": "recoil", "repair": "new_rope", "minutes": 20},
            {"kind": "tried", "shown": "runs"},
        ]
    }
    now = {"If-Match": step.headers["etag"]}
    name = "a repair, and trying the machine"
    step = told.ask("add_steps", "POST", f"{job}/steps", name, json=mended, headers=now)
    told.ask("job", "GET", job)
    told.ask("job_sheet", "GET", f"{job}/sheet")
    told.ask("job_sheet", "GET", f"{job}/sheet", headers={"accept": "text/html"})
    told.ask("job_drawing", "GET", f"{job}/drawing")
    told.ask("job_bench", "GET", f"{job}/bench?tests=2&suspects=3")
    told.ask("job_test", "GET", f"{job}/tests/lead_ohms?why=true")
    told.ask("job_part", "GET", f"{job}/parts/recoil")
    told.ask("job_sheet", "GET", f"{job}/sheet", headers={"accept": "image/png"})
    end = {
        "kind": "closed",
        "ended": "runs",
        "cause_part": "recoil",
        "cause_mode": "broken",
        "cause_seen": True,
        "labour_minutes": 25,
        "note": "Rope worn through at the eyelet.",
    }
    now, ended = {"If-Match": step.headers["etag"]}, {"steps": [end]}
    step = told.ask("add_steps", "POST", f"{job}/steps", "closing", json=ended, headers=now)
    now = {"If-Match": step.headers["etag"]}
    told.ask("add_steps", "POST", f"{job}/steps", json=seen, headers=now)
    for operation, path in (("orders", "/v1/orders"), ("order_steps", "/v1/orders/steps")):
        for form in ("application/x-ndjson", "text/csv", "application/vnd.apache.parquet"):
            told.ask(operation, "GET", path, headers={"accept": form})
    told.ask("job", "GET", "/v1/jobs/k3m8w2xq7v")


def _priors(told: Conversation) -> None:
    place = f"/v1/machines/{MACHINE}/priors"
    text = learnt_priors(load_machine(MACHINE))
    first = told.client.get(place)
    given, read = {"text": text, "by": "Ana"}, {"If-Match": first.headers["etag"]}
    told.ask("check_priors", "POST", f"{place}/check", "a priors file", json=given)
    made = told.ask("adopt_priors", "POST", place, "a priors file", json=given, headers=read)
    told.ask("adopt_priors", "POST", place, json=given, headers=read)
    told.ask("priors", "GET", place)
    told.ask("adoption", "GET", f"{place}/{made.json()['adoption']['adoption']}")
    told.ask("adoption", "GET", f"{place}/1000000")
    broken = text.replace("learnt: 0.9}", "learnt: 9}", 1).replace("rates:", "rate:", 1)
    told.ask("check_priors", "POST", f"{place}/check", json={"text": broken})
    older = text.replace('machine_version: "', 'machine_version: "0.', 1)
    told.ask("check_priors", "POST", f"{place}/check", json={"text": older})
    back, now = {"by": "Ana"}, {"If-Match": made.headers["etag"]}
    told.ask("roll_back_priors", "POST", f"{place}/roll-back", "going back", json=back, headers=now)


def _keys(told: Conversation, client: TestClient, store: Store) -> None:
    text, _ = store.add_key("Office", "larkfield", "analyst")
    told.client = client
    told.ask("jobs", "GET", "/v1/jobs")
    told.ask("jobs", "GET", "/v1/jobs", headers={"authorization": f"Bearer {text}"})


def held() -> dict[str, Any]:
    """The conversation as it is kept in a file."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/jobs.sqlite"
        with TestClient(create_app(Settings(store=url), io.StringIO())) as client:
            while client.get("/readyz").status_code != 200:
                pass
            told = conversation(client)
            store = Store.open(url)
            guarded = create_app(Settings(store=url, keys="always"), io.StringIO())
            _keys(told, TestClient(guarded), store)
            store.close()
    return {"operations": told.operations, "problems": told.problems}


def written(content: Any) -> str:
    """A document as its file has it."""
    return json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def main() -> None:
    """Have the conversation, and write both files."""
    if not FILE.exists():
        FILE.write_text('{"operations": {}, "problems": {}}', "utf-8")
    FILE.write_text(written(held()), "utf-8")
    DOCUMENT.write_text(written(create_app(Settings(), io.StringIO()).openapi()), "utf-8")


if __name__ == "__main__":
    main()
