"""The first line of a machine file tells editors where its schema is.

`# yaml-language-server: $schema=<path or URL>` is the modeline of the open YAML language server
(its README, section on inlined schemas; from memory).
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from diagnose.machine.load import machine_names, machine_path
from diagnose.machine.schema import machine_schema_text

MODELINE = "# yaml-language-server: $schema="


@pytest.mark.parametrize("name", machine_names())
def test_the_first_line_leads_to_the_published_schema(name: str) -> None:
    path = Path(str(machine_path(name)))
    first = path.read_text("utf-8").split("\n", 1)[0]
    assert first.startswith(MODELINE)
    schema = (path.parent / first.removeprefix(MODELINE)).resolve()
    assert schema == Path(str(resources.files("diagnose.models"))) / "machine.schema.json"
    assert schema.read_text("utf-8") == machine_schema_text()
