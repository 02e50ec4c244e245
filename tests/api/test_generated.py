"""Requests made up from the description: the service keeps to it, whatever is sent.

One by one for every operation, and whole jobs along the links of the document.
"""

from __future__ import annotations

import contextlib
import copy
import json
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import FlakyStrategyDefinition
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.responses import JSONResponse

from diagnose.machine.load import load_machine
from tests.api.test_openapi import OPERATIONS

if TYPE_CHECKING:
    from pathlib import Path

    from fastapi import FastAPI
    from starlette.testclient import TestClient

    from diagnose.machine.model import Machine

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
)

LABELS = tuple(OPERATIONS.values())
WITHOUT_INPUT = {"GET /v1/machines", "GET /healthz", "GET /readyz", "GET /metrics"}
TRIED = [(label, GenerationMode.POSITIVE) for label in LABELS]
TRIED += [(label, GenerationMode.NEGATIVE) for label in LABELS if label not in WITHOUT_INPUT]
"""A request without input cannot be made wrong."""

OFF_THE_WAY = [
    *("job_bench", "job_test", "job_part", "machine_card"),
    *("priors", "adoption", "check_priors", "adopt_priors", "roll_back_priors"),
]
"""No link leads to them; drawn among the others, they leave too few whole jobs."""


WANTED = (
    ("POST /v1/jobs", 201),
    ("POST /v1/jobs/{job}/steps", 201),
    ("GET /v1/jobs/{job}/advice", 200),
)
"""What whole jobs have to come to, and the rounds in which they may."""
ROUNDS = 20

GIVEN = ("Question", "FindingGiven", "RepairGiven", "JobGiven", "Step")
"""Beginnings of the shapes that are sent, or ends of those of steps."""

OF_ANSWERS = "LikelyStep"
"""A step that is only told; its test or part may be null."""


def narrowed(document: dict[str, Any], machine: Machine) -> dict[str, Any]:
    """The description with names that the machine has, so that requests get past that check."""
    parts = machine.parts.values()
    names = {
        "machine": [machine.id],
        "complaint": [*machine.complaints],
        "test": [*machine.tests],
        "outcome": [end.id for test in machine.tests.values() for end in test.outcomes],
        "part": [*machine.parts],
        "repair": sorted({repair.id for part in parts for repair in part.repairs}),
        "area": [*machine.areas],
        "shown": ["runs", "same", "other", *machine.complaints],
        "cause_part": [*machine.parts, "unlisted"],
    }
    narrow = copy.deepcopy(document)
    for shape, schema in narrow["components"]["schemas"].items():
        if shape != OF_ANSWERS and (shape.startswith(GIVEN) or shape.endswith(GIVEN)):
            for field in set(names) & set(schema["properties"]):
                described = schema["properties"][field]["description"]
                given = {"type": "string", "enum": names[field], "description": described}
                schema["properties"][field] = given
    narrow["components"]["schemas"]["StepsGiven"]["properties"]["steps"]["maxItems"] = 2
    return narrow


@pytest.fixture(scope="session")
def schema(app: FastAPI, client: TestClient, folder: Path) -> Any:
    """The narrowed description, of a service that hands it out; all else is the service's."""
    document = client.get("/openapi.json").json()
    machine = load_machine("barn_cart", folder=folder)
    told = JSONResponse(narrowed(document, machine))

    async def service(scope: Any, receive: Any, send: Any) -> None:
        await (told if scope.get("path") == "/narrowed.json" else app)(scope, receive, send)

    return schemathesis.openapi.from_asgi("/narrowed.json", service)


@pytest.fixture(scope="session")
def described(schema: Any) -> dict[str, Any]:
    """Every operation of the description by its label."""
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
        max_examples=20,
        derandomize=True,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def keeps_to_it(case: Any) -> None:
        response = case.call()
        case.validate_response(response, checks=CHECKS)
        if response.headers["content-type"][0].endswith("json"):
            for line in response.content.splitlines():
                json.loads(line, parse_constant=pytest.fail)

    keeps_to_it()


def test_jobs_made_up_along_the_links_keep_to_the_description(schema: Any) -> None:
    machine = schema.exclude(operation_id=OFF_THE_WAY).as_state_machine()

    seen: Counter[tuple[str, int]] = Counter()

    class Checked(machine):  # type: ignore[misc,valid-type]
        def validate_response(self, response: Any, case: Any, **_: Any) -> None:
            seen[case.operation.label, response.status_code] += 1
            case.validate_response(response, checks=CHECKS)

    plain = settings(
        max_examples=10,
        stateful_step_count=8,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    for number in range(ROUNDS):
        # ids of jobs are drawn anew each time, so one round may not look like the one before
        with contextlib.suppress(FlakyStrategyDefinition):
            seed(number)(Checked).run(settings=plain)
        if all(seen[wanted] for wanted in WANTED):
            break
    assert {wanted for wanted in WANTED if not seen[wanted]} == set()
