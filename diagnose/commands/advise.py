"""`diagnose advise`: one question, one answer."""

import gc
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.opening import open_job
from diagnose.commands.output import open_console, print_json


def advise(
    machine: options.Machine,
    complaint: options.Complaint = None,
    finding: options.Findings = None,
    tool: options.Tools = None,
    open_: options.Areas = None,
    celsius: options.Celsius = 20.0,
    unsure: options.Unsure = None,
    top: Annotated[
        int, typer.Option("--top", min=1, help="Tests and suspects shown; --json gives all.")
    ] = 8,
    json: options.Json = False,
) -> None:
    """Say what to do next, from complaint and findings."""
    gc.disable()  # one answer makes no garbage worth the tenth of a second of looking for it
    job = open_job(machine, complaint, finding, tool, open_, celsius, unsure)
    advice = job.advise()
    if json:
        print_json(advice.to_dict())
        return
    from diagnose.commands.show import show_advice  # noqa: PLC0415  Rich is not paid for by --json

    show_advice(open_console(), job, advice, top)
