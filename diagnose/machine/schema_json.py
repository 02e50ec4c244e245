"""JSON Schema of a machine file, for editors that complete and check while one types."""

from __future__ import annotations

import json
from typing import Any

from diagnose.machine.schema import MachineFile

DRAFT = "http://json-schema.org/draft-07/schema#"


def machine_schema() -> dict[str, Any]:
    """JSON Schema (draft-07) of a machine file.

    It knows keys, types and ranges; what names must be defined and how the wiring must hang
    together only the check of the file itself knows.
    """
    found = _draft_07(MachineFile.model_json_schema(by_alias=True))
    return {"$schema": DRAFT, **found}


def machine_schema_text() -> str:
    """The schema as the text of `models/machine.schema.json`."""
    return json.dumps(machine_schema(), indent=2, ensure_ascii=False) + "\n"


def _draft_07(value: Any) -> Any:
    """Draft-07's name for definitions, no OpenAPI discriminator, no ids that fit no pattern."""
    if isinstance(value, list):
        return [_draft_07(item) for item in value]
    if isinstance(value, str):
        return value.replace("#/$defs/", "#/definitions/")
    if not isinstance(value, dict):
        return value
    names = {"$defs": "definitions"}
    closed = {"additionalProperties": False} if "patternProperties" in value else {}
    return closed | {
        names.get(key, key): _draft_07(item)
        for key, item in value.items()
        if not (key == "discriminator" and "propertyName" in item)
    }
