"""`diagnose trial`: simulated jobs, to see what a way of deciding costs."""

from typing import TYPE_CHECKING, Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json

if TYPE_CHECKING:
    from diagnose.trial.figures import Interval
    from diagnose.trial.run import TrialResult


def trial(
    machine: options.Machine,
    policy: Annotated[
        str, typer.Option("--policy", "-p", help="How to decide; a wrong name lists them all.")
    ] = "gate",
    jobs: Annotated[int, typer.Option("--jobs", "-n", help="Simulated jobs.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", help="Of the random numbers.")] = 0,
    complaint: options.Complaint = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; left out: as many as pay.")
    ] = None,
    json: options.Json = False,
) -> None:
    """Carry simulated jobs to a verified repair and say what they took.

    The same seed gives the same jobs to every policy. Without --complaint all complaints come as
    often as the machine's own figures say.
    """
    from rich.progress import Progress  # noqa: PLC0415  not paid for by the other commands

    from diagnose.trial.run import run_trial  # noqa: PLC0415

    with Progress(console=open_console(on_stderr=True), transient=True) as bar:
        task = bar.add_task(f"{policy} on {machine}", total=jobs)
        result = run_trial(
            machine,
            policy,
            jobs,
            seed,
            complaint,
            workers=workers,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    if json:
        print_json(result.to_dict())
        return
    _show(result)


def _show(result: "TrialResult") -> None:
    from rich.table import Table  # noqa: PLC0415

    f = result.figures
    about = f"{result.machine}, {result.complaint or 'all complaints'}, policy {result.policy}"
    table = Table("", "", "95 % interval", title=f"{about}: {f.jobs} jobs, seed {result.seed}")
    for words, one, digits in (
        ("minutes, mean", f.mean_minutes, 1),
        ("minutes, median", f.median_minutes, 1),
        ("minutes, nine in ten below", f.p90_minutes, 1),
        ("minutes if one knew the fault", f.known_minutes, 1),
        ("minutes of finding out", f.finding_minutes, 1),
        ("tests in a job", f.tests, 2),
        ("good parts replaced in a job", f.good_parts, 3),
        ("share handed over", f.not_solved, 3),
    ):
        table.add_row(words, f"{one.value:.{digits}f}", _range(one, digits))
    open_console().print(table)


def _range(one: "Interval", digits: int) -> str:
    return f"{one.low:.{digits}f} to {one.high:.{digits}f}"
