"""`diagnose review`: what the tests of a machine can tell at all."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json, print_progress
from diagnose.whole import write_whole

ToolSet = Literal["lamp", "meter", "all"]


def review(
    machine: Annotated[
        str | None,
        typer.Argument(help=options.MACHINE_HELP, metavar="MACHINE", show_default=False),
    ] = None,
    tools: Annotated[
        ToolSet | None,
        typer.Option(
            "--tools", help="Only with these: a test lamp, lamp and multimeter, or every tool."
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", help="Also write the D-matrix (faults against tests) to this file."),
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="Review every machine shipped.")] = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Answer in Markdown.")] = False,
    update: Annotated[
        Path | None,
        typer.Option("--update", help="With --all: put the tables between this file's markers."),
    ] = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Say what the tests of a machine can find and tell apart."""
    if (machine is None) != all_:
        raise typer.BadParameter("name a machine, or give --all", param_hint="MACHINE")
    if all_ and (csv is not None or tools is not None or json):
        raise typer.BadParameter("goes with one machine only", param_hint="--csv, --tools, --json")
    if update is not None and not all_:
        raise typer.BadParameter("goes with --all only", param_hint="--update")
    if all_ and priors is not None:
        raise typer.BadParameter("goes with one machine only", param_hint="--priors")
    from diagnose.job import prepare  # noqa: PLC0415
    from diagnose.machine.load import machine_names  # noqa: PLC0415
    from diagnose.review.review import TOOL_SETS, review_tool_sets  # noqa: PLC0415
    from diagnose.review.tables import insert_tables, machine_section, plain_text  # noqa: PLC0415

    names = machine_names() if machine is None else (machine,)
    known = [prepare(name, progress=print_progress, priors=priors).machine for name in names]
    tool_sets = [tools] if tools else TOOL_SETS
    reviews = [review_tool_sets(each, tool_sets, print_progress) for each in known]
    if csv is not None:
        write_whole(csv, reviews[0][tools or "all"].to_csv())
    if json:
        print_json({name: done.to_dict() for name, done in reviews[0].items()})
        return
    told = "\n".join(map(machine_section if markdown or all_ else plain_text, known, reviews))
    if update is not None:
        write_whole(update, insert_tables(update.read_text("utf-8"), told))
        told = f"{update}: tables written\n"
    sys.stdout.write(told)
