"""The description of the service: complete, and true to what the service does."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from fastapi import FastAPI
    from starlette.testclient import TestClient

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


def test_it_describes_exactly_these_endpoints(document: dict[str, Any]) -> None:
    assert {(path, method) for path, method, _ in operations(document)} == {
        ("/v1/advice", "post"),
        ("/v1/machines", "get"),
        ("/v1/machines/{machine}", "get"),
        ("/healthz", "get"),
    }


def test_the_readme_names_every_endpoint(document: dict[str, Any]) -> None:
    text = README.read_text("utf-8")
    for path, method, _ in operations(document):
        assert path in text, f"{method.upper()} {path}"


def test_every_field_of_every_shape_is_explained(document: dict[str, Any]) -> None:
    shapes = document["components"]["schemas"]
    assert {"Answer", "Question", "Problem", "MachineDetails"} <= set(shapes)
    for name, shape in shapes.items():
        assert shape["description"], name
        for field, schema in shape["properties"].items():
            assert schema.get("description"), f"{name}.{field}"


def test_every_quantity_names_its_unit(document: dict[str, Any]) -> None:
    shapes = document["components"]["schemas"]
    units = {"bits": "bits", "minutes": "inutes", "probability": "0 to 1", "evidence": "logarithm"}
    for shape in shapes.values():
        for field, schema in shape["properties"].items():
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
            assert set(refusals) == {"400", "404", "409", "413", "422", "500"}


def test_the_examples_are_what_the_service_answers(
    client: TestClient, document: dict[str, Any]
) -> None:
    operation = document["paths"]["/v1/advice"]["post"]
    asked = operation["requestBody"]["content"]["application/json"]["examples"]
    answered = operation["responses"]["200"]["content"]["application/json"]["examples"]
    assert len(asked) == len(answered) == 2
    for name, example in asked.items():
        response = client.post("/v1/advice", json=example["value"])
        assert response.status_code == 200
        shown, whole = answered[name]["value"], response.json()
        for cut in ("suspects", "tests"):
            count = len(shown[cut])
            assert count > 0
            assert shown[cut] == whole[cut][:count]
        rest = set(whole) - {"suspects", "tests"}
        assert {key: shown[key] for key in rest} == {key: whole[key] for key in rest}


def test_the_description_is_made_once(app: FastAPI, client: TestClient) -> None:
    assert client.get("/openapi.json").status_code == 200
    assert app.openapi() is app.openapi()
