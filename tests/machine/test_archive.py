"""A machine as JSON and back."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import MachineFileError
from diagnose.machine.archive import machine_from_json, machine_to_json

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


def test_round_trip_is_exact(larkfield: Machine) -> None:
    text = machine_to_json(larkfield)
    again = machine_from_json(text)
    assert again == larkfield
    assert again.content_hash == larkfield.content_hash
    assert machine_to_json(again) == text
    # types and order too, which == does not see
    assert repr(again) == repr(larkfield)


@given(
    number=st.floats(allow_nan=False, allow_infinity=False),
    words=st.text(),
    nets=st.dictionaries(st.text(), st.text()),
)
@settings(deadline=None, max_examples=60)
def test_any_number_and_text_survives(
    larkfield: Machine, number: float, words: str, nets: dict[str, str]
) -> None:
    changed = dataclasses.replace(larkfield, nominal_volts=number, title=words, nets=nets)
    assert repr(machine_from_json(machine_to_json(changed))) == repr(changed)


def test_no_number_that_is_none_leaves(larkfield: Machine) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        machine_to_json(dataclasses.replace(larkfield, nominal_volts=float("nan")))


def test_text_that_is_no_archive_is_one_clear_error(larkfield: Machine) -> None:
    text = machine_to_json(larkfield)
    broken = [text[:cut] for cut in range(0, len(text), 997)]
    broken += ["[]", "null", "{}", '{"format": 1}', '{"format": 1, "machine": []}', "[" * 100_000]
    broken += [text.replace('"format":1', '"format":0'), text.replace("12.0", "NaN")]
    broken += [text.replace('"nominal_volts":12.0', '"nominal_volts":"12"')]
    broken += [text.replace('"nominal_volts":12.0', '"nominal_volts":true')]
    broken += [text.replace('"nets":{', '"nets":3,"x":{'), text.replace('"closes":[', '"x":[')]
    for one in broken:
        assert one != text
        with pytest.raises(MachineFileError) as caught:
            machine_from_json(one)
        assert [p.rule for p in caught.value.problems] == ["file_unreadable"]


def test_integers_in_an_archive_become_floats(larkfield: Machine) -> None:
    content = json.loads(machine_to_json(larkfield))
    content["machine"]["nominal_volts"] = 12
    assert type(machine_from_json(json.dumps(content)).nominal_volts) is float


def test_reading_an_archive_needs_no_heavy_library() -> None:
    code = (
        "import sys, diagnose.machine.archive, diagnose.machine.load\n"
        "diagnose.machine.load.machine_names()\n"
        "heavy = {'ruamel.yaml', 'pydantic', 'networkx', 'numpy', 'pgmpy'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
