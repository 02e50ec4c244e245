"""Worked examples for the OpenAPI document; `examples.json` holds a conversation that took place.

`python -m tests.api.document` has it anew, and writes `openapi.json` beside it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("examples.json")


def add_examples(document: dict[str, Any]) -> None:
    """Put questions, answers and problems into the description of every operation."""
    held = json.loads(FILE.read_text("utf-8"))
    document["components"]["examples"] = {
        name: {"summary": value["title"], "value": value}
        for name, value in sorted(held["problems"].items())
    }
    for operation in operations(document):
        told = held["operations"].get(operation["operationId"], {})
        if "asked" in told:
            content = operation["requestBody"]["content"]["application/json"]
            content["examples"] = {
                name: {"summary": name, "value": value} for name, value in told["asked"].items()
            }
        for status, answers in told.get("answered", {}).items():
            for form, value in answers.items():
                content = operation["responses"][status].setdefault("content", {})
                content.setdefault(form, {"schema": {"type": "string"}})["examples"] = {
                    "answer": {
                        "summary": "As it was answered once; lists are cut to three.",
                        "value": value,
                    }
                }


def add_security(document: dict[str, Any]) -> None:
    """Say that a key may be left out, where there are none yet."""
    for operation in operations(document):
        if "security" in operation:
            operation["security"] = [*operation["security"], {}]


def operations(document: dict[str, Any]) -> list[dict[str, Any]]:
    """All operations of a document."""
    return [one for path in document["paths"].values() for one in path.values()]
