"""`diagnose trial`: simulated jobs, to see what a way of deciding costs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from diagnose.commands import options
from diagnose.commands.opening import with_priors
from diagnose.commands.output import open_console, print_json
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from diagnose.trial.compare import Comparison
    from diagnose.trial.figures import Interval
    from diagnose.trial.run import TrialResult

FIGURES = (
    ("minutes of finding out", "finding_minutes", 1),
    ("minutes of labour", "labour_minutes", 1),
    ("minutes, price of parts included, mean", "mean_minutes", 1),
    ("  the same, median", "median_minutes", 1),
    ("  nine in ten below", "p90_minutes", 1),
    ("  if one knew the fault", "known_minutes", 1),
    ("tests in a job", "tests", 2),
    ("good parts replaced in a job", "good_parts", 3),
    ("share handed over", "not_solved", 3),
)
"""Words, figure and digits of each line about one policy."""


def trial(
    machine: options.Machine,
    policy: Annotated[
        list[str] | None,
        typer.Option(
            "--policy",
            "-p",
            help="How to decide; a wrong name lists them all. Several are compared with the first.",
        ),
    ] = None,
    jobs: Annotated[
        int, typer.Option("--jobs", "-n", help="Simulated jobs for each policy.")
    ] = 1000,
    seed: Annotated[int, typer.Option("--seed", help="Of the random numbers.")] = 0,
    complaint: options.Complaint = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Compare all policies but the slow one.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; left out: as many as pay.")
    ] = None,
    svg: Annotated[
        Path | None, typer.Option("--svg", help="Draw the minutes of finding out into this file.")
    ] = None,
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Carry simulated jobs to a verified repair and say what they took.

    The same seed gives the same jobs to every policy. Without --complaint all complaints come as
    often as the machine's own figures say.
    """
    from rich.progress import Progress  # noqa: PLC0415  not paid for by the other commands

    from diagnose.trial.compare import COMPARED, compare_policies  # noqa: PLC0415

    known = with_priors(machine, priors)
    names = list(policy or ["gate"])
    if compare:
        names = list(dict.fromkeys([*(policy or []), *COMPARED]))
    with Progress(console=open_console(on_stderr=True), transient=True) as bar:
        task = bar.add_task(f"{', '.join(names)} on {machine}", total=jobs * len(names))
        compared = compare_policies(
            known,
            names,
            jobs,
            seed,
            complaint,
            workers=workers,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    first, single = compared.results[0], len(compared.results) == 1
    if svg is not None:
        write_whole(svg, _picture(compared))
    if json:
        print_json(first.to_dict() if single else compared.to_dict())
    elif single:
        _show(first)
    else:
        _show_comparison(compared)


def _about(result: "TrialResult") -> str:
    return f"{result.machine}, {result.complaint or 'all complaints'}"


def _picture(compared: "Comparison") -> str:
    from diagnose.trial.picture import picture  # noqa: PLC0415

    first = compared.results[0]
    title = f"{_about(first)}: {first.figures.jobs} jobs, seed {first.seed}"
    rows = {result.policy: result.rows for result in compared.results}
    return picture(title, {p: row["minutes"] - row["known_minutes"] for p, row in rows.items()})


def _show(result: "TrialResult") -> None:
    from rich.table import Table  # noqa: PLC0415

    about = f"{_about(result)}, policy {result.policy}"
    title = f"{about}: {result.figures.jobs} jobs, seed {result.seed}"
    table = Table("", "", "95 % interval", title=title)
    for words, name, digits in FIGURES:
        value: Interval = getattr(result.figures, name)
        low, high = f"{value.low:.{digits}f}", f"{value.high:.{digits}f}"
        table.add_row(words, f"{value.value:.{digits}f}", f"{low} to {high}")
    open_console().print(table)


def _show_comparison(compared: "Comparison") -> None:
    from rich import box  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415

    first = compared.results[0]
    title = f"{_about(first)}: the same {first.figures.jobs} jobs, seed {first.seed}"
    heads = ("policy", "finding", "labour", "all costs", "tests", "good parts", "left")
    table = Table(*heads, "saved", "", title=title, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in table.columns:
        column.no_wrap = True
        column.justify = "left" if column.header == "policy" else "right"
    saved = [["", ""]] + [
        [_half(other.minutes), f"{other.finding_minutes_percent:.0f} %"] for other in compared.saved
    ]
    for result, against in zip(compared.results, saved, strict=True):
        f = result.figures
        minutes = [_half(x) for x in (f.finding_minutes, f.labour_minutes, f.mean_minutes)]
        rates = f"{f.tests.value:.1f}", f"{f.good_parts.value:.3f}", f"{f.not_solved.value:.3f}"
        table.add_row(result.policy, *minutes, *rates, *against)
    console = open_console()
    console.print(table)
    console.print(
        "Minutes of finding out are over and above those of a job whose fault is known; labour is "
        "without the price of parts, all costs are with it. Tests and good parts replaced: in a "
        f"job; left: share handed over. Saved: by {first.policy} in a job, and as a share of the "
        "minutes of finding out. Plus or minus: 95 % interval."
    )


def _half(value: "Interval") -> str:
    return f"{value.value:.1f} ±{value.high - value.value:.1f}"
