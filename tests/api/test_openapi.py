"""The description of the service: complete, and true to what the service does."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.examples import FILE
from diagnose.api.problems import Problem
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from tests.api.document import DOCUMENT

if TYPE_CHECKING:
    from fastapi import FastAPI

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture(scope="session")
def document(client: TestClient) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/openapi.json").json()
    return found


def operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]


OPERATIONS = {
    "advice": "POST /v1/advice",
    "machines": "GET /v1/machines",
    "machine": "GET /v1/machines/{machine}",
    "open_job": "POST /v1/jobs",
    "jobs": "GET /v1/jobs",
    "job": "GET /v1/jobs/{job}",
    "add_steps": "POST /v1/jobs/{job}/steps",
    "job_advice": "GET /v1/jobs/{job}/advice",
    "job_sheet": "GET /v1/jobs/{job}/sheet",
    "job_drawing": "GET /v1/jobs/{job}/drawing",
    "job_bench": "GET /v1/jobs/{job}/bench",
    "job_test": "GET /v1/jobs/{job}/tests/{test}",
    "job_part": "GET /v1/jobs/{job}/parts/{part}",
    "machine_card": "GET /v1/machines/{machine}/card",
    "priors": "GET /v1/machines/{machine}/priors",
    "adoption": "GET /v1/machines/{machine}/priors/{adoption}",
    "check_priors": "POST /v1/machines/{machine}/priors/check",
    "adopt_priors": "POST /v1/machines/{machine}/priors",
    "roll_back_priors": "POST /v1/machines/{machine}/priors/roll-back",
    "orders": "GET /v1/orders",
    "order_steps": "GET /v1/orders/steps",
    "health": "GET /healthz",
    "readiness": "GET /readyz",
    "metrics": "GET /metrics",
}
"""Ids of operations are names in clients that others have made, so they stay."""


def test_it_describes_exactly_these_operations(document: dict[str, Any]) -> None:
    found = {
        one["operationId"]: f"{method.upper()} {path}" for path, method, one in operations(document)
    }
    assert found == OPERATIONS
    assert document["openapi"].startswith("3.1")


def test_the_committed_document_is_what_is_served(document: dict[str, Any]) -> None:
    """Where it is not: `python -m tests.api.document`."""
    committed = json.loads(DOCUMENT.read_text("utf-8"))
    for one in (committed, document):
        one["info"] = {**one["info"], "version": ""}
    assert document == committed


def test_the_readme_names_every_endpoint(document: dict[str, Any]) -> None:
    text = README.read_text("utf-8")
    for path, method, _ in operations(document):
        assert path in text, f"{method.upper()} {path}"


def test_every_field_of_every_shape_is_explained(document: dict[str, Any]) -> None:
    shapes = document["components"]["schemas"]
    assert {"Answer", "Question", "Problem", "MachineDetails"} <= set(shapes)
    for name, shape in shapes.items():
        assert shape["description"], name
        for field, schema in shape.get("properties", {}).items():
            assert schema.get("description"), f"{name}.{field}"


def test_every_quantity_names_its_unit(document: dict[str, Any]) -> None:
    shapes = document["components"]["schemas"]
    units = {"bits": "bits", "minutes": "inutes", "probability": "0 to 1", "evidence": "logarithm"}
    for shape in shapes.values():
        for field, schema in shape.get("properties", {}).items():
            for ending, said in units.items():
                if field.endswith(ending) and schema.get("type") == "number":
                    assert said in schema["description"], field


def test_refusals_are_declared_as_problem_documents(document: dict[str, Any]) -> None:
    """RFC 9457, section 3: the media type is application/problem+json."""
    for path, _, operation in operations(document):
        refusals = {c: r for c, r in operation["responses"].items() if int(c) >= 400}
        for response in refusals.values():
            (media_type,) = response["content"]
            assert media_type == "application/problem+json"
            schema = response["content"][media_type]["schema"]
            assert schema == {"$ref": "#/components/schemas/Problem"}
        if path == "/v1/advice":
            assert set(refusals) == {
                *("400", "401", "404", "409", "413", "415", "422", "429", "500", "503")
            }


def test_every_operation_and_every_problem_has_an_example(document: dict[str, Any]) -> None:
    named = set(document["components"]["examples"])
    used = set()
    for path, method, operation in operations(document):
        if "requestBody" in operation:
            assert operation["requestBody"]["content"]["application/json"]["examples"]
        for status, response in operation["responses"].items():
            for form, content in response.get("content", {}).items():
                assert content["examples"], f"{method} {path} {status} {form}"
                if form == "application/problem+json":
                    used |= set(content["examples"])
    assert used == named


def test_every_example_of_a_problem_is_one(document: dict[str, Any]) -> None:
    for name, example in document["components"]["examples"].items():
        problem = Problem.model_validate(example["value"])
        assert problem.type == f"/problems/{name}"


def keys_of(value: Any) -> Any:
    """What an answer looks like, whatever is in it."""
    if isinstance(value, dict):
        return {name: keys_of(one) for name, one in value.items()}
    if isinstance(value, list):
        return [keys_of(value[0])] if value else []
    return None


def test_the_examples_are_asked_and_answered_as_told() -> None:
    """On the machine that they are about; figures change with its file, fields do not."""
    held = json.loads(FILE.read_text("utf-8"))["operations"]
    caller = TestClient(create_app(Settings()))
    asked = held["advice"]["asked"]
    assert len(asked) == 3
    for body in asked.values():
        assert caller.post("/v1/advice", json=body).status_code == 200
    told = held["advice"]["answered"]["200"]["application/json"]
    again = caller.post("/v1/advice?tests=2&suspects=3", json=next(iter(asked.values()))).json()
    assert keys_of(told) == keys_of(again)
    told = held["machine"]["answered"]["200"]["application/json"]
    assert keys_of(told) == keys_of(caller.get(f"/v1/machines/{told['id']}").json())


def test_the_description_is_made_once(app: FastAPI, client: TestClient) -> None:
    assert client.get("/openapi.json").status_code == 200
    assert app.openapi() is app.openapi()
