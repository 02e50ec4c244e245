"""`diagnose machines`: what can be diagnosed, and by which names."""

from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json


def machines(
    machine: Annotated[
        str | None,
        typer.Argument(
            metavar="MACHINE", help="Show this one's complaints, tests, tools and areas instead."
        ),
    ] = None,
    json: options.Json = False,
) -> None:
    """List the machines, or all that one machine knows."""
    from diagnose.api.catalogue import machine_details, machine_entry  # noqa: PLC0415
    from diagnose.machine.load import load_machine, machine_names  # noqa: PLC0415

    if machine is None:
        found = [load_machine(name) for name in machine_names()]
        if json:
            print_json({"machines": [machine_entry(one) for one in found]})
            return
        from diagnose.commands.show_machine import show_list  # noqa: PLC0415

        show_list(open_console(), found)
        return
    one = load_machine(machine)
    if json:
        print_json(machine_details(one))
        return
    from diagnose.commands.show_machine import show_details  # noqa: PLC0415

    show_details(open_console(), one)
