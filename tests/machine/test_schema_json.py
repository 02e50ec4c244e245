"""The published JSON Schema of a machine file."""

from __future__ import annotations

from importlib import resources

import jsonschema_rs
import pytest

from diagnose.machine.document import read_document
from diagnose.machine.schema import machine_schema, machine_schema_text


def test_published_schema_is_current() -> None:
    path = resources.files("diagnose.models").joinpath("machine.schema.json")
    assert path.read_text("utf-8") == machine_schema_text()


def test_schema_is_draft_07() -> None:
    schema = machine_schema()
    assert schema["$schema"] == "http://json-schema.org/draft-07/schema#"
    jsonschema_rs.meta.validate(schema)
    assert "$defs" not in machine_schema_text()


def test_schema_accepts_the_good_file(larkfield_text: str) -> None:
    jsonschema_rs.Draft7Validator(machine_schema()).validate(read_document(larkfield_text).data)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("cold_cranking_amps", "cold_craking_amps"),
        ("kind: fuse\n", "kind: fues\n"),
        ("minutes: 30", 'minutes: "5 min"'),
        ("minutes: 30", "minutes: -30"),
        ("  silent: {title", "  Silent: {title"),
        ("per_1000_jobs: 180", "per_1000_jobs: 1800"),
    ],
)
def test_schema_refuses_what_the_check_refuses(larkfield_text: str, old: str, new: str) -> None:
    data = read_document(larkfield_text.replace(old, new)).data
    assert not jsonschema_rs.Draft7Validator(machine_schema()).is_valid(data)
