"""Worked examples for the OpenAPI document, computed by the engine, so never out of date."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from diagnose.errors import DiagnoseError

from .shapes import Question

if TYPE_CHECKING:
    from .shelf import Shelf

SHOWN = {"suspects": 3, "tests": 2, "while_open": 2}
CUT = "Cut to 3 suspects and 2 tests of each list; the answer has all of them."


def add_examples(document: dict[str, Any], shelf: Shelf) -> None:
    """Put two questions and their answers into the description of `POST /v1/advice`.

    They are about the first machine on the shelf; without a usable one there are none.
    """
    with contextlib.suppress(DiagnoseError, StopIteration):
        operation = document["paths"]["/v1/advice"]["post"]
        asked = example_questions(shelf)
        answered = {name: _answer(shelf, value) for name, value in asked.items()}
        _content(operation["requestBody"])["examples"] = {
            name: {"summary": name, "value": value} for name, value in asked.items()
        }
        _content(operation["responses"]["200"])["examples"] = {
            name: {"summary": name, "description": CUT, "value": value}
            for name, value in answered.items()
        }


def example_questions(shelf: Shelf) -> dict[str, dict[str, Any]]:
    """Two bodies of `POST /v1/advice`: a complaint alone; the same with two findings.

    Raises:
        StopIteration: no machine, complaint, or test with a reading to make them of.
        DiagnoseError: the machine cannot be used.
    """
    machine = shelf.machine(next(iter(shelf.names())))
    bare = {"machine": machine.id, "complaint": next(iter(machine.complaints))}
    job = shelf.job(Question.model_validate(bare))
    tests = job.advise().tests
    seen = next(test for test in tests if machine.tests[test.test].unit is None)
    outcome = max(seen.outcomes, key=lambda one: one.probability).outcome
    measured = next(test.test for test in tests if machine.tests[test.test].unit is not None)
    good = next(iter(job.expect(measured)))
    reading = {"test": measured, "reading": round(good.typical, 2), "unit": good.unit}
    findings = [{"test": seen.test, "outcome": outcome}, reading]
    tools = [tool for tool in machine.tools if tool != "none"][:2]
    opened = [next(iter(machine.areas))] if machine.areas else []
    more = {"findings": findings, "tools": tools, "open": opened}
    return {"a complaint alone": bare, "a complaint with two findings": bare | more}


def _answer(shelf: Shelf, question: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = shelf.job(Question.model_validate(question)).advise().to_dict()
    for name, shown in SHOWN.items():
        found[name] = found[name][:shown]
    return found


def _content(described: dict[str, Any]) -> dict[str, Any]:
    content: dict[str, Any] = described["content"]["application/json"]
    return content
