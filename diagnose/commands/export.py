"""`diagnose network` and `diagnose draw`: the network and the circuit for other programs."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.opening import open_job
from diagnose.commands.output import print_json, save_text


def network(
    machine: options.Machine,
    bif: Annotated[Path, typer.Option("--bif", help="File to write.", show_default=False)],
    json: options.Json = False,
) -> None:
    """Write a machine's network as a BIF file."""
    from diagnose.machine.load import load_machine  # noqa: PLC0415
    from diagnose.network.build import make_network  # noqa: PLC0415
    from diagnose.network.export import write_bif  # noqa: PLC0415

    found = make_network(load_machine(machine)).network
    write_bif(found, bif)
    nodes = len(found.families)
    if json:
        print_json({"file": str(bif), "nodes": nodes})
    else:
        typer.echo(f"{bif}: {nodes} nodes")


def draw(
    machine: options.Machine,
    svg: Annotated[Path, typer.Option("--svg", help="File to write.", show_default=False)],
    complaint: options.Complaint = None,
    finding: options.Findings = None,
    json: options.Json = False,
) -> None:
    """Draw the circuit as SVG, suspects shaded."""
    from diagnose.circuit.drawing import draw as drawing  # noqa: PLC0415
    from diagnose.machine.load import load_machine  # noqa: PLC0415

    suspects: dict[str, float] = {}
    if complaint is None and not finding:
        shown = load_machine(machine)
    else:
        job = open_job(machine, complaint, finding)
        shown = job.machine
        for suspect in job.advise().suspects:
            if suspect.part in shown.parts:
                suspects[suspect.part] = suspects.get(suspect.part, 0.0) + suspect.probability
    save_text(svg, drawing(shown, suspects))
    if json:
        print_json({"file": str(svg), "suspects": suspects})
    else:
        typer.echo(f"{svg}: {len(shown.parts)} parts")
