"""`diagnose card`: the first decisions for a complaint on a sheet for the wall."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import print_progress, say


def card(
    machine: options.Machine,
    complaint: options.Complaint = None,
    levels: Annotated[
        int, typer.Option("--levels", min=1, max=12, help="Tests in a row at most.")
    ] = 4,
    svg: Annotated[
        Path | None, typer.Option("--svg", help="Write the sheet to this file as SVG.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write it as a page for the browser to print.")
    ] = None,
    json: options.Json = False,
) -> None:
    """Put the first decisions for a complaint on one sheet for the wall."""
    from diagnose.commands.card_sheet import card_page, fitting_card  # noqa: PLC0415
    from diagnose.commands.opening import given  # noqa: PLC0415
    from diagnose.job import Job  # noqa: PLC0415

    if (svg is None) == (html is None):
        raise typer.BadParameter("say where the sheet goes", param_hint="--svg or --html")
    job = Job.open(machine, given(complaint), progress=print_progress)
    drawn, picture = fitting_card(job.prepared, job.complaint, levels)
    if svg is not None:
        svg.write_text(picture, "utf-8")
    if html is not None:
        html.write_text(card_page(picture, drawn.title), "utf-8")
    tree = drawn.tree
    figures = {
        "levels": tree.levels,
        "steps": len(drawn.steps),
        "least_share": tree.least_share,
        "least_covered": max(tree.least_covered, 0.0),
        "covered": tree.covered,
        "fixed": tree.fixed,
    }
    say(
        {"file": str(svg or html), **figures},
        f"{svg or html}: {len(drawn.steps)} steps; {100.0 * tree.covered:.0f} % of jobs come to a "
        f"repair, {100.0 * tree.fixed:.0f} % end with it",
        as_json=json,
    )
