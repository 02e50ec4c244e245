"""Requests made up from the description: the service keeps to it, whatever is sent."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

if TYPE_CHECKING:
    from fastapi import FastAPI
    from starlette.testclient import TestClient

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
)


LABELS = ("POST /v1/advice", "GET /v1/machines", "GET /v1/machines/{machine}", "GET /healthz")
TRIED = [(label, GenerationMode.POSITIVE) for label in LABELS]
TRIED += [(label, GenerationMode.NEGATIVE) for label in (LABELS[0], LABELS[2])]
"""A request without input cannot be made wrong, so the other two are only made right."""


@pytest.fixture(scope="session")
def described(app: FastAPI, client: TestClient) -> dict[str, Any]:
    """Every operation of the description by its label."""
    assert client.get("/openapi.json").status_code == 200
    schema = schemathesis.openapi.from_asgi("/openapi.json", app)
    operations: list[Any] = list(schema.get_all_operations())
    return {one.ok().label: one.ok() for one in operations}


def test_every_operation_is_tried(described: dict[str, Any]) -> None:
    assert set(described) == set(LABELS)


@pytest.mark.parametrize(("label", "mode"), TRIED)
def test_answers_keep_to_the_description(
    described: dict[str, Any], label: str, mode: GenerationMode
) -> None:
    operation = described[label]

    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(
        max_examples=25,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    def keeps_to_it(case: Any) -> None:
        response = case.call()
        case.validate_response(response, checks=CHECKS)
        json.loads(response.content, parse_constant=pytest.fail)

    keeps_to_it()
