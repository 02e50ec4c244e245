"""`diagnose review`: what the tests of a machine can tell at all."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json, print_progress, save_text

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.review.review import Review

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
    json: options.Json = False,
) -> None:
    """Say what the tests of a machine can find and tell apart."""
    if (machine is None) != all_:
        raise typer.BadParameter("name a machine, or give --all", param_hint="MACHINE")
    if all_ and (csv is not None or tools is not None or json):
        raise typer.BadParameter("goes with one machine only", param_hint="--csv, --tools, --json")
    if update is not None and not all_:
        raise typer.BadParameter("goes with --all only", param_hint="--update")
    if machine is None:
        _tables(update)
        return
    from diagnose.job import prepare  # noqa: PLC0415
    from diagnose.review.tables import machine_section, plain_text  # noqa: PLC0415

    known = prepare(machine, progress=print_progress).machine
    reviews = _reviews(known, tools)
    if csv is not None:
        save_text(csv, reviews[tools or "all"].to_csv())
    if json:
        print_json({name: done.to_dict() for name, done in reviews.items()})
        return
    write = machine_section if markdown else plain_text
    sys.stdout.write(write(known, reviews))


def _reviews(machine: "Machine", tools: ToolSet | None) -> dict[str, "Review"]:
    from diagnose.review.review import TOOL_SETS, review_machine, review_tool_sets  # noqa: PLC0415

    if tools is None:
        return review_tool_sets(machine, print_progress)
    named = TOOL_SETS[tools]
    at_hand = None if named is None else [tool for tool in named if tool in machine.tools]
    return {tools: review_machine(machine, at_hand, print_progress)}


def _tables(update: Path | None) -> None:
    """Tables of every machine shipped, to standard output or into a file."""
    from diagnose.job import prepare  # noqa: PLC0415
    from diagnose.machine.load import machine_names  # noqa: PLC0415
    from diagnose.review.tables import insert_tables, machine_section  # noqa: PLC0415

    known = [prepare(name).machine for name in machine_names()]
    tables = "\n".join(machine_section(machine, _reviews(machine, None)) for machine in known)
    if update is None:
        sys.stdout.write(tables)
    else:
        save_text(update, insert_tables(update.read_text(encoding="utf-8"), tables))
        sys.stdout.write(f"{update}: tables written\n")
