"""What is in machine files: `machines`, `check`, `schema`, `network` and `draw`."""

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from diagnose.commands import options
from diagnose.commands.opening import open_job, with_priors
from diagnose.commands.output import open_console, print_json, say
from diagnose.commands.problems import check_json, cost_lines, refused_json
from diagnose.errors import MachineFileError
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from diagnose.machine.cost import Cost
    from diagnose.machine.model import Machine


def machines(
    machine: Annotated[
        str | None,
        typer.Argument(
            metavar="MACHINE", help="Show this one's complaints, tests, tools and areas instead."
        ),
    ] = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """List the machines, or all that one machine knows."""
    from diagnose.api.machine_shapes import MachineDetails, MachineEntry  # noqa: PLC0415
    from diagnose.machine.load import load_machine, machine_names  # noqa: PLC0415

    if priors is not None and machine is None:
        raise typer.BadParameter("goes with one machine only", param_hint="--priors")
    names = [machine] if machine else machine_names()
    known = [with_priors(load_machine(name), priors) for name in names]
    if json and machine:
        print_json(MachineDetails.of(known[0]).model_dump())
        return
    if json:
        print_json({"machines": [MachineEntry.model_validate(e).model_dump() for e in known]})
        return
    from diagnose.commands.show import show_details, show_list  # noqa: PLC0415

    if machine:
        show_details(open_console(), known[0])
    else:
        show_list(open_console(), known)


def check(
    file: Annotated[
        str | None,
        typer.Argument(metavar="FILE", help="Path of a machine file, or id of a machine."),
    ] = None,
    rules: Annotated[
        bool, typer.Option("--rules", help="Explain every rule instead of checking a file.")
    ] = False,
    json: options.Json = False,
) -> None:
    """Find everything that is wrong in a machine file, and say what the machine will cost."""
    if rules:
        _explain(json)
        return
    if file is None:
        raise typer.BadParameter("name the file to check", param_hint="FILE")
    try:
        machine, cost = _read(file)
    except MachineFileError as error:
        if json:
            print_json(refused_json(error))
        raise
    words = "\n".join([f"{file}: no problems; {_held(machine)}", *cost_lines(file, cost)])
    say(check_json(file, cost), words, as_json=json)


def _read(file: str) -> tuple["Machine", "Cost"]:
    """Read the file and number its circuit; nothing is solved."""
    from diagnose.circuit.rigs import make_circuit  # noqa: PLC0415
    from diagnose.machine.load import machine_names, machine_path, read_checked, read_text  # noqa: PLC0415

    path = machine_path(file) if file in machine_names() else Path(file)
    machine, cost = read_checked(read_text(path), file)
    make_circuit(machine)
    return machine, cost


def _held(machine: "Machine") -> str:
    """What is in a machine, in words."""
    modes = sum(len(part.modes) - 1 for part in machine.parts.values())
    return (
        f"{len(machine.parts)} parts with {modes} failure modes, {len(machine.tests)} tests, "
        f"{len(machine.complaints)} complaints"
    )


def _explain(as_json: bool) -> None:
    from diagnose.machine.rules import RULES  # noqa: PLC0415

    width = max(map(len, RULES))
    lines = (f"{rule:<{width}}  {sentence}" for rule, sentence in RULES.items())
    say(dict(RULES), "\n".join(lines), as_json=as_json)


def schema(json: options.Json = False) -> None:
    """Print the JSON Schema of machine files."""
    from diagnose.machine.schema import machine_schema_text  # noqa: PLC0415

    del json  # it is JSON either way
    sys.stdout.write(machine_schema_text())


def network(
    machine: options.Machine,
    bif: Annotated[Path, typer.Option("--bif", help="File to write.", show_default=False)],
    states: Annotated[
        int,
        typer.Option(min=0, help="States of simulated jobs over which its error is measured."),
    ] = 100,
    budget: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Share of the belief that taking one fault set for another may get wrong. Less is "
            "closer and larger.",
            show_default=False,
        ),
    ] = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Write a machine's network as a BIF file, and say how far it is from the advice."""
    from diagnose.commands.network_error import error_in_words, measured  # noqa: PLC0415
    from diagnose.export.bif import write_bif  # noqa: PLC0415
    from diagnose.export.classes import BUDGET  # noqa: PLC0415
    from diagnose.export.compact import compact_network  # noqa: PLC0415
    from diagnose.machine.load import load_machine  # noqa: PLC0415

    known = with_priors(load_machine(machine), priors)
    made = compact_network(known, BUDGET if budget is None else budget)
    write_bif(made, bif)
    error = measured(known, made, states)
    told = {"file": str(bif), "nodes": len(made.families), "error": error and asdict(error)}
    say(told, f"{bif}: {len(made.families)} nodes{error_in_words(error)}", as_json=json)


def draw(
    machine: options.Machine,
    svg: Annotated[Path, typer.Option("--svg", help="File to write.", show_default=False)],
    complaint: options.Complaint = None,
    finding: options.Findings = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Draw the circuit as SVG, suspects shaded, with the points of the test that comes next."""
    from diagnose.circuit.drawing import draw as drawing  # noqa: PLC0415
    from diagnose.machine.load import load_machine  # noqa: PLC0415

    suspects: dict[str, float] = {}
    test = None
    if complaint is None and not finding:
        shown = with_priors(load_machine(machine), priors)
    else:
        job = open_job(machine, complaint, finding, priors=priors)
        shown, advice = job.machine, job.advise()
        if advice.verdict.action in ("test", "recheck"):
            test = shown.tests[advice.verdict.target]
        for suspect in advice.suspects:
            if suspect.part in shown.parts:
                suspects[suspect.part] = suspects.get(suspect.part, 0.0) + suspect.probability
    write_whole(svg, drawing(shown, suspects, test))
    told = {"file": str(svg), "suspects": suspects, "test": test and test.id}
    say(told, f"{svg}: {len(shown.parts)} parts", as_json=json)
