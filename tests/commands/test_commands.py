"""Every command, as text and as JSON."""

from __future__ import annotations

import inspect
import json
import os
import re
import subprocess
import sys
import urllib.request
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from diagnose.commands.program import COMMANDS
from diagnose.faults.words import SHARE_OF_MACHINES
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names
from diagnose.machine.rules import RULES
from diagnose.machine.schema import machine_schema
from tests.inference.agrum import pyagrum

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.commands.conftest import Ran

README = Path(__file__).parents[2] / "README.md"


def test_every_command_can_answer_in_json() -> None:
    for command in COMMANDS:
        assert "json" in inspect.signature(command).parameters, command.__name__


def test_the_readme_names_every_command() -> None:
    text = README.read_text("utf-8")
    for command in COMMANDS:
        assert f"diagnose {command.__name__}" in text


def test_machines_lists_those_that_come_along(call: Callable[..., Ran]) -> None:
    listed = call("machines", "--json").json["machines"]
    assert [one["id"] for one in listed] == list(machine_names())
    shown = call("machines").out
    assert all(name in shown for name in machine_names())


def test_machines_shows_one_machine(call: Callable[..., Ran], cart: str) -> None:
    machine = load_machine(cart)
    shown = call("machines", cart).out
    for held in (machine.complaints, machine.tests, machine.tools, machine.areas):
        assert all(re.search(rf"\b{name}\b", shown) for name in held)


def test_advise_is_what_a_job_says(call: Callable[..., Ran], cart: str) -> None:
    words = ["advise", cart, "-c", "silent", "-f", "battery_rest=12.6 V"]
    words += ["-f", "see_lamp=on", "-t", "test_lamp", "-o", "tray"]
    job = Job.open(cart, "silent", tools=["test_lamp"], open_areas=["tray"])
    advice = job.record("battery_rest", 12.6).record("see_lamp", "on").advise()
    assert call(*words, "--json").json == json.loads(json.dumps(advice.to_dict()))


def test_advise_shows_findings_suspects_test_and_cautions(
    call: Callable[..., Ran], cart: str
) -> None:
    job = Job.open(cart, "silent").record("battery_rest", 12.6)
    advice, machine = job.advise(), job.machine
    shown = " ".join(call("advise", cart, "-c", "silent", "-f", "battery_rest=12.6V").out.split())
    assert machine.complaints["silent"].title in shown
    assert "12.6 V" in shown
    first = advice.suspects[0]
    assert f"{100 * first.probability:.1f} %" in shown
    assert machine.parts[first.part].modes[first.mode].title in shown
    test = machine.tests[advice.verdict.target]
    assert test.title in shown
    for caution in test.cautions:
        assert " ".join(machine.cautions[caution].text.split()) in shown


def test_advise_shows_as_much_as_asked(call: Callable[..., Ran], cart: str) -> None:
    def bars(top: int) -> int:
        out = call("advise", cart, "-c", "silent", "--top", str(top)).out
        return len(re.findall(r"^ +[<>]?\d+\.\d %  ", out, re.MULTILINE))

    assert (bars(3), bars(6)) == (3, 6)


def test_what_an_answer_left_out_is_said(
    call: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch, cart: str
) -> None:
    """In one line on the page and on the sheet, and only where it is more than half a percent."""
    words, told = ("advise", cart, "-c", "silent"), "1.2 % of what could be wrong was not looked at"
    whole = Job.advise
    for mass, shown in ((0.012, 1), (0.004, 0)):

        def advise(job: Job, *rest: object, mass: float = mass) -> object:
            return replace(whole(job, *rest), mass_left_out=mass)  # type: ignore[arg-type]

        monkeypatch.setattr(Job, "advise", advise)
        assert call(*words).out.count(told) == shown
        assert call(*words, "--json").json["mass_left_out"] == mass
        ran = call("bench", *words[1:], typed=("quit",))
        assert ran.out.partition("FINDING SHEET")[2].count(told) == shown


def test_check_finds_nothing_in_a_sound_file(call: Callable[..., Ran], cart: str) -> None:
    ran = call("check", cart)
    assert ran.code == 0
    assert "no problems; " in ran.out
    answer = call("check", cart, "--json").json
    assert (answer["file"], answer["count"], answer["problems"]) == (cart, 0, [])


def test_check_names_every_problem_with_its_place(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    lines = Path(cart).read_text("utf-8").replace("kind: listen", "kind: lissen").splitlines()
    place = next(i for i, line in enumerate(lines, 1) if line.strip() == "minutes: 1")
    lines[place - 1] = lines[place - 1].replace("minutes: 1", "minutes: -1")
    file = tmp_path / "broken.yaml"
    file.write_text("\n".join(lines), "utf-8")
    ran = call("check", str(file))
    lines = ran.out.splitlines()
    assert (ran.code, ran.errors) == (6, [f"{file}: {len(lines)} problems"])
    assert len(lines) >= 2
    assert all(re.match(rf"{re.escape(str(file))}:\d+:\d+: .* \[\w+\]$", e) for e in lines)
    assert any(f":{place}:" in line and "negative_minutes" in line for line in lines)
    assert any("'listen'" in line for line in lines)
    problems = call("check", str(file), "--json").json["problems"]
    assert [
        f"{file}:{p['line']}:{p['column']}: {p['message']} [{p['rule']}]" for p in problems
    ] == lines


def test_check_explains_every_rule(call: Callable[..., Ran]) -> None:
    assert call("check", "--rules", "--json").json == dict(RULES)
    shown = call("check", "--rules").out
    assert all(f"{rule} " in shown and sentence in shown for rule, sentence in RULES.items())


def test_schema_is_the_one_of_the_reader(call: Callable[..., Ran]) -> None:
    assert call("schema").json == call("schema", "--json").json == machine_schema()


def test_network_writes_a_file_that_another_library_reads(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    """Read back by pyAgrum; its marginal of a part is the prior of the machine file, unconditioned.

    pyAgrum keeps what it reads from BIF in single precision: 24 bits, 6e-8 (IEEE 754).
    """
    file = tmp_path / "cart.bif"
    ran = call("network", cart, "--bif", str(file), "--states", "10", "--json")
    read = pyagrum.loadBN(str(file))
    answer = ran.json
    error = answer.pop("error")
    assert answer == {"file": str(file), "nodes": read.size()}
    assert error["states"] == 10
    assert 0.0 <= error["median"] <= error["percentile_99"] <= error["largest"] < 0.05
    machine = load_machine(cart)
    assert {*machine.parts, *machine.complaints} <= set(read.names())
    inference = pyagrum.LazyPropagation(read)  # type: ignore[no-untyped-call]
    inference.addTarget("battery")
    inference.makeInference()
    found = inference.posterior("battery")
    for number, mode in enumerate(machine.parts["battery"].modes.values()):
        if mode.id != "ok":
            prior = SHARE_OF_MACHINES * mode.per_1000_jobs / 1000.0
            assert found[number] == pytest.approx(prior, abs=1e-7)


def test_draw_writes_a_picture_with_every_part(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    file = tmp_path / "cart.svg"
    assert call("draw", cart, "--svg", str(file)).code == 0
    bare = file.read_text("utf-8")
    assert ElementTree.fromstring(bare).tag == "{http://www.w3.org/2000/svg}svg"  # noqa: S314 - ours
    words = ("draw", cart, "--svg", str(file), "-c", "silent", "-f", "see_lamp=off", "--json")
    advised = Job.open(cart, "silent").record("see_lamp", "off").advise()
    found = call(*words).json
    assert file.read_text("utf-8") != bare
    assert (advised.verdict.action, advised.verdict.target) == ("test", found["test"])
    assert Job.open(cart, "silent").machine.tests[found["test"]].title in file.read_text("utf-8")
    wanted: dict[str, float] = {}
    for one in advised.suspects:
        wanted[one.part] = wanted.get(one.part, 0.0) + one.probability
    wanted.pop("unlisted")
    assert found["suspects"] == pytest.approx(wanted)


def test_serve_answers_on_the_port_it_names(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--json"]
    environment = {**os.environ, "NOSTART_MACHINES": str(tmp_path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as served:
        try:
            assert served.stdout is not None
            told = json.loads("".join(served.stdout.readline() for _ in range(4)))
            address = f"http://{told['host']}:{told['port']}/healthz"
            with urllib.request.urlopen(address, timeout=60) as response:
                assert json.load(response) == {"status": "ok"}
        finally:
            served.terminate()
