"""`diagnose demo`: the whole job once, from complaint to repair, with nobody at the keyboard."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, print_progress


def demo(
    machine: Annotated[
        str | None,
        typer.Option("--machine", help=f"{options.MACHINE_HELP} Left out: one that suits."),
    ] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Which fault is invented; each is another job.")
    ] = 25,
    analyst: Annotated[
        bool,
        typer.Option(
            "--analyst", help="Instead: learn from an invented shop's orders of two winters."
        ),
    ] = False,
    folder: Annotated[
        Path, typer.Option("--folder", help="With --analyst: where priors and report go.")
    ] = Path("larkfield"),
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Watch the whole job once: an invented fault, found test by test."""
    if analyst:
        from diagnose.commands.refit_demo import refit_demo  # noqa: PLC0415

        refit_demo(machine or "standby_pump", folder, as_json=json)
        return
    from diagnose.commands.run_demo import run_demo, story  # noqa: PLC0415
    from diagnose.job import prepare  # noqa: PLC0415

    found = run_demo(
        prepare(machine or "utility_vehicle", progress=print_progress, priors=priors), seed
    )
    if json:
        print_json(story(found))
        return
    from diagnose.commands.show_demo import show_demo  # noqa: PLC0415

    show_demo(open_console(), found)
