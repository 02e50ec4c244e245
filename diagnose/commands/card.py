"""`diagnose card`: the first decisions for a complaint on a sheet for the wall."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json, print_progress, save_text


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
    from diagnose.commands.card_fit import figures, fitting_card  # noqa: PLC0415
    from diagnose.commands.card_sheet import card_page  # noqa: PLC0415
    from diagnose.commands.opening import known_complaint  # noqa: PLC0415
    from diagnose.decision.ready_problems import ready_problems  # noqa: PLC0415
    from diagnose.machine.load import load_machine  # noqa: PLC0415

    if (svg is None) == (html is None):
        raise typer.BadParameter("say where the sheet goes", param_hint="--svg or --html")
    known = load_machine(machine)
    name = known_complaint(known, complaint)
    drawn, picture = fitting_card(ready_problems(known, print_progress), name, levels)
    if svg is not None:
        save_text(svg, picture)
    if html is not None:
        save_text(html, card_page(picture, f"{drawn.title}: {drawn.complaint}"))
    if json:
        print_json({"file": str(svg or html), **figures(drawn)})
    else:
        typer.echo(
            f"{svg or html}: {len(drawn.steps)} steps; {100.0 * drawn.covered:.0f} % of jobs come "
            f"to a repair, {100.0 * drawn.fixed:.0f} % end with it"
        )
