"""`diagnose demo`: the whole job once, from complaint to repair, with nobody at the keyboard."""

from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, print_progress


def demo(
    machine: Annotated[
        str, typer.Option("--machine", help=options.MACHINE_HELP)
    ] = "utility_vehicle",
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Which fault is invented; each is another job.")
    ] = 25,
    json: options.Json = False,
) -> None:
    """Watch the whole job once: an invented fault, found test by test."""
    from diagnose.commands.run_demo import run_demo, story  # noqa: PLC0415
    from diagnose.job import prepare  # noqa: PLC0415

    found = run_demo(prepare(machine, progress=print_progress), seed)
    if json:
        print_json(story(found))
        return
    from diagnose.commands.show_demo import show_demo  # noqa: PLC0415

    show_demo(open_console(), found)
