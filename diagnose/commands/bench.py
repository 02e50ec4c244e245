"""`diagnose bench`: asks for one finding after the other, like a colleague across the engine."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, print_progress
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from rich.console import Console

    from diagnose.commands.book import Book
    from diagnose.job import Job
    from diagnose.steps.kinds import AnyStep


USUAL_CELSIUS = 20.0


def bench(
    machine: Annotated[
        str | None,
        typer.Argument(metavar="MACHINE", help=options.MACHINE_HELP, show_default=False),
    ] = None,
    complaint: options.Complaint = None,
    finding: options.Findings = None,
    tool: options.Tools = None,
    open_: options.Areas = None,
    celsius: options.Celsius = USUAL_CELSIUS,
    unsure: options.Unsure = None,
    before: options.Before = None,
    repaired: options.Repaired = None,
    job: Annotated[
        str | None,
        typer.Option("--job", metavar="ID", help="Go on with this kept job; no complaint then."),
    ] = None,
    move: Annotated[
        bool, typer.Option("--move", help="With --job: take the machine file as it is now.")
    ] = False,
    by: Annotated[str, typer.Option("--by", help="Who works; kept with each step.")] = "",
    reference: Annotated[
        str | None, typer.Option("--reference", help="The shop's own number for the job.")
    ] = None,
    priors: options.Priors = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", help="Also write the finding sheet to this file.")
    ] = None,
    json: options.Json = False,
) -> None:
    """Work a job at the terminal, one finding after the other.

    Type `help` for the words. The job is kept; --job goes on where it stopped. With --json the
    talk goes to standard error and the last answer, as `advise --json` gives it, to standard
    output.
    """
    from diagnose.commands.talk import Talk  # noqa: PLC0415
    from diagnose.paper.sheet import finding_sheet  # noqa: PLC0415

    console = open_console(on_stderr=json)
    if job is not None:
        new = (complaint, finding, tool, open_, unsure, before, repaired, reference)
        if any(new) or celsius != USUAL_CELSIUS:
            raise typer.BadParameter("a kept job knows all this already", param_hint="--job")
        begun = _again(console, job, machine if move else None, by, move=move)
    else:
        told = (machine, complaint, finding, tool, open_, celsius, unsure, before, repaired)
        begun = _begun(console, *told, by=by, reference=reference, priors=priors)
    first, history, book = begun
    last = Talk(console, sys.stdin.readline, book).run(first, history)
    _say_kept(console, book)
    advice = last.advise()
    text = finding_sheet(last, advice, datetime.now().astimezone())
    if json:
        print_json(advice.to_dict())
    else:
        sys.stdout.write("\n" + text)
    if sheet is not None:
        write_whole(sheet, text)


def _begun(
    console: "Console",
    machine: str | None,
    complaint: str | None,
    finding: list[str] | None,
    tool: list[str] | None,
    open_: list[str] | None,
    celsius: float,
    unsure: list[str] | None,
    before: list[str] | None,
    repaired: list[str] | None,
    *,
    by: str,
    reference: str | None,
    priors: Path | None,
) -> tuple["Job", tuple["AnyStep", ...], "Book"]:
    """A new job with what stands on the command line; nothing is kept of one that is refused."""
    from dataclasses import replace  # noqa: PLC0415

    from diagnose.commands.book import Book  # noqa: PLC0415
    from diagnose.commands.opening import opened, opening_of, steps_of  # noqa: PLC0415
    from diagnose.commands.talk import ask_complaint  # noqa: PLC0415
    from diagnose.job import prepare  # noqa: PLC0415

    if machine is None:
        raise typer.BadParameter("name the machine, or a kept job by --job", param_hint="MACHINE")
    if complaint is None:
        known = prepare(machine, progress=print_progress, priors=priors).machine
        complaint = ask_complaint(console, known, sys.stdin.readline)
        if complaint is None:
            raise typer.Abort
    opening = opening_of(machine, complaint, tool, open_, celsius)
    steps = steps_of(finding, unsure, before, repaired)
    job = opened(opening, steps, priors)
    job.advise()  # findings that clash are refused here
    if priors is not None:
        console.print("Not kept: jobs are kept with adopted priors only; see `diagnose priors`.")
        return job, steps, Book(console.print, by)
    opening = replace(opening, by=by, shop_reference=reference)
    book = Book.begin(opening, steps, console.print, by)
    return job if book.going is None else book.going.job, steps, book


def _again(
    console: "Console", job_id: str, machine: str | None, by: str, *, move: bool
) -> tuple["Job", tuple["AnyStep", ...], "Book"]:
    """A kept job as it was left."""
    from diagnose.commands.book import Book  # noqa: PLC0415
    from diagnose.commands.opening import import_numba_without_blas  # noqa: PLC0415

    import_numba_without_blas()
    book = Book.again(job_id, console.print, by, print_progress)
    if move:
        moved = book.move(machine)
        console.print(
            "It goes on with the machine file as it is now." if moved else "It is the same file."
        )
    if book.going is None:
        raise typer.Abort
    return book.going.job, book.history, book


def _say_kept(console: "Console", book: "Book") -> None:
    """Where the job is found again."""
    if book.going is None:
        return
    job_id, closed = book.going.kept.job_id, book.going.kept.status == "closed"
    state = "Closed and kept" if closed else "Kept"
    console.print(f"{state} as job {job_id}; `diagnose bench --job {job_id}` goes on with it.")
