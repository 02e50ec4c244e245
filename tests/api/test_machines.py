"""`GET /v1/machines`, `GET /v1/machines/{machine}` and `GET /healthz`."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

from diagnose.commands.program import run
from diagnose.machine.load import load_machine

if TYPE_CHECKING:
    from pathlib import Path

    import pytest
    from starlette.testclient import TestClient


def test_the_list_names_every_machine_of_the_folder(client: TestClient) -> None:
    (cart,) = client.get("/v1/machines").json()["machines"]
    assert cart["id"] == "barn_cart"
    assert cart["title"] == "Larkfield barn cart"


def test_details_hold_every_name_a_question_can_use(client: TestClient, folder: Path) -> None:
    machine = load_machine("barn_cart", folder=folder)
    found = client.get("/v1/machines/barn_cart").json()
    for section in ("complaints", "tests", "tools", "areas", "cautions"):
        assert [one["id"] for one in found[section]] == list(getattr(machine, section))
    for entry in found["tests"]:
        test = machine.tests[entry["id"]]
        assert [one["id"] for one in entry["outcomes"]] == [one.id for one in test.outcomes]
        limits = (test.low, test.high) if test.unit else (None, None)
        assert (entry["unit"], entry["low"], entry["high"]) == (test.unit, *limits)


def test_the_command_line_lists_the_same(
    client: TestClient, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["machines", str(folder / "barn_cart" / "machine.yaml"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found == client.get("/v1/machines/barn_cart").json()


def test_health(client: TestClient) -> None:
    response = client.get("/healthz")
    assert (response.status_code, response.json()) == (200, {"status": "ok"})


def test_parts_modes_and_repairs_are_listed_as_past_and_suspects_name_them(
    client: TestClient, folder: Path
) -> None:
    machine = load_machine("barn_cart", folder=folder)
    listed = client.get("/v1/machines/barn_cart").json()
    assert listed["content_hash"] == machine.content_hash
    told = {part["id"]: part for part in listed["parts"]}
    assert list(told) == list(machine.parts)
    for part in machine.parts.values():
        modes = [mode["id"] for mode in told[part.id]["modes"]]
        assert modes == [mode for mode in part.modes if mode != "ok"]
        repairs = [(one["id"], one["minutes"]) for one in told[part.id]["repairs"]]
        assert repairs == [(one.id, one.minutes) for one in part.repairs]


def test_the_first_list_reads_no_yaml(client: TestClient, folder: Path) -> None:
    """In a process of its own, where the cache on disk holds what this one has made ready."""
    assert client.get("/v1/machines").status_code == 200
    code = (
        "import sys; from pathlib import Path; from starlette.testclient import TestClient; "
        "from diagnose.api.app import create_app; from diagnose.api.settings import Settings; "
        f"app = create_app(Settings(machines=Path({str(folder)!r}))); "
        "print(TestClient(app).get('/v1/machines').json()['machines'][0]['id']); "
        "print('ruamel.yaml' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.split() == ["barn_cart", "False"]
