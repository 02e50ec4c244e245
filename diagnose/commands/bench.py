"""`diagnose bench`: asks for one finding after the other, like a colleague across the engine."""

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, print_progress


def bench(
    machine: options.Machine,
    complaint: options.Complaint = None,
    finding: options.Findings = None,
    tool: options.Tools = None,
    open_: options.Areas = None,
    celsius: options.Celsius = 20.0,
    unsure: options.Unsure = None,
    before: options.Before = None,
    repaired: options.Repaired = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", help="Also write the finding sheet to this file.")
    ] = None,
    json: options.Json = False,
) -> None:
    """Work a job at the terminal, one finding after the other.

    Type `help` for the words. With --json the talk goes to standard error and the last answer,
    as `advise --json` gives it, to standard output.
    """
    from diagnose.commands.opening import open_job  # noqa: PLC0415
    from diagnose.commands.sheet import finding_sheet  # noqa: PLC0415
    from diagnose.commands.talk import Talk, ask_complaint  # noqa: PLC0415
    from diagnose.job import prepare  # noqa: PLC0415

    console = open_console(on_stderr=json)
    if complaint is None:
        known = prepare(machine, progress=print_progress).machine
        complaint = ask_complaint(console, known, sys.stdin.readline)
        if complaint is None:
            raise typer.Abort
    job = open_job(machine, complaint, finding, tool, open_, celsius, unsure, before, repaired)
    job = Talk(console, sys.stdin.readline).run(job)
    advice = job.advise()
    text = finding_sheet(job, advice, datetime.now().astimezone())
    if json:
        print_json(advice.to_dict())
    else:
        sys.stdout.write("\n" + text)
    if sheet is not None:
        sheet.write_text(text, "utf-8")
