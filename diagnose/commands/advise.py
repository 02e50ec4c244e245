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
    before: options.Before = None,
    repaired: options.Repaired = None,
    priors: options.Priors = None,
    top: Annotated[
        int, typer.Option("--top", min=1, help="Tests and suspects shown; --json gives all.")
    ] = 8,
    look_further: options.LookFurther = False,
    budget_ms: options.BudgetMs = 50.0,
    json: options.Json = False,
) -> None:
    """Say what to do next, from complaint and findings."""
    gc.disable()  # one answer makes no garbage worth the tenth of a second of looking for it
    job = open_job(
        machine, complaint, finding, tool, open_, celsius, unsure, before, repaired, priors
    )
    advice = job.advise()
    further = None
    if look_further and advice.verdict.action != "done":
        further = job.look_further(budget_ms / 1000.0)
    if json:
        looked = {} if further is None else {"look_further": further.to_dict()}
        print_json(advice.to_dict() | looked)
        return
    from diagnose.commands.show import show_advice, show_further  # noqa: PLC0415  Rich, not for JSON

    console = open_console()
    show_advice(console, job, advice, top)
    if further is not None:
        show_further(console, job.machine, further)
