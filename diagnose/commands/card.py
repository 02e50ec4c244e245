"""`diagnose card`: the first decisions for a complaint on a sheet for the wall."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import print_progress, say
from diagnose.whole import write_whole

LEVELS = 9
"""Tests in a row: deeper than a card has room for, so that its room is what limits it."""

JOBS = 400
"""Simulated jobs: their shares are right to some 2.5 in 100."""


def card(
    machine: options.Machine,
    complaint: options.Complaint = None,
    levels: Annotated[
        int, typer.Option("--levels", min=1, max=12, help="Tests in a row at most.")
    ] = LEVELS,
    jobs: Annotated[
        int,
        typer.Option(
            "--jobs", min=0, max=10_000, help="Simulated jobs that go down the card; 0: none."
        ),
    ] = JOBS,
    svg: Annotated[
        Path | None, typer.Option("--svg", help="Write the sheet to this file as SVG.")
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", help="Write a page with the drawing; it prints on two sides of A4."),
    ] = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Put the first decisions for a complaint on one sheet for the wall."""
    from diagnose.commands.card_page import card_page, fitting_page  # noqa: PLC0415
    from diagnose.commands.card_sheet import fitting_card  # noqa: PLC0415
    from diagnose.commands.card_walk import walk_jobs  # noqa: PLC0415
    from diagnose.commands.card_words import figures, figures_words  # noqa: PLC0415
    from diagnose.commands.opening import given  # noqa: PLC0415
    from diagnose.job import Job  # noqa: PLC0415

    if (svg is None) == (html is None):
        raise typer.BadParameter("say where the sheet goes", param_hint="--svg or --html")
    job = Job.open(machine, given(complaint), progress=print_progress, priors=priors)
    if svg is not None:
        drawn, picture = fitting_card(job.prepared, job.complaint, levels)
    else:
        drawn = fitting_page(job.prepared, job.complaint, levels)
    walked = walk_jobs(job.prepared, job.complaint, drawn.tree, jobs) if jobs else None
    if svg is not None:
        write_whole(svg, picture)
    elif html is not None:
        write_whole(html, card_page(job.prepared, drawn, walked))
    say(
        {"file": str(svg or html), **figures(drawn, walked)},
        f"{svg or html}: {figures_words(drawn, walked)}",
        as_json=json,
    )
