"""`diagnose trial`: simulated jobs, to see what a way of deciding costs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, save_text

if TYPE_CHECKING:
    from diagnose.trial.compare import Comparison
    from diagnose.trial.figures import Interval
    from diagnose.trial.run import TrialResult


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
    json: options.Json = False,
) -> None:
    """Carry simulated jobs to a verified repair and say what they took.

    The same seed gives the same jobs to every policy. Without --complaint all complaints come as
    often as the machine's own figures say.
    """
    from rich.progress import Progress  # noqa: PLC0415  not paid for by the other commands

    from diagnose.trial.compare import COMPARED, compare_policies  # noqa: PLC0415

    names = list(policy or ["gate"])
    if compare:
        names = list(dict.fromkeys([*(policy or []), *COMPARED]))
    with Progress(console=open_console(on_stderr=True), transient=True) as bar:
        task = bar.add_task(f"{', '.join(names)} on {machine}", total=jobs * len(names))
        found = compare_policies(
            machine,
            names,
            jobs,
            seed,
            complaint,
            workers=workers,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    if svg is not None:
        save_text(svg, _picture(found))
    if json:
        print_json(found.results[0].to_dict() if len(found.results) == 1 else found.to_dict())
    elif len(found.results) == 1:
        _show(found.results[0])
    else:
        _show_comparison(found)


def _about(result: "TrialResult") -> str:
    return f"{result.machine}, {result.complaint or 'all complaints'}"


def _picture(found: "Comparison") -> str:
    from diagnose.trial.picture import picture  # noqa: PLC0415

    first = found.results[0]
    title = f"{_about(first)}: {first.figures.jobs} jobs, seed {first.seed}"
    rows = {one.policy: one.rows for one in found.results}
    return picture(title, {p: row["minutes"] - row["known_minutes"] for p, row in rows.items()})


def _show(result: "TrialResult") -> None:
    from rich.table import Table  # noqa: PLC0415

    f = result.figures
    about = f"{_about(result)}, policy {result.policy}"
    table = Table("", "", "95 % interval", title=f"{about}: {f.jobs} jobs, seed {result.seed}")
    for words, one, digits in (
        ("minutes of finding out", f.finding_minutes, 1),
        ("minutes of labour", f.labour_minutes, 1),
        ("minutes, price of parts included, mean", f.mean_minutes, 1),
        ("  the same, median", f.median_minutes, 1),
        ("  nine in ten below", f.p90_minutes, 1),
        ("  if one knew the fault", f.known_minutes, 1),
        ("tests in a job", f.tests, 2),
        ("good parts replaced in a job", f.good_parts, 3),
        ("share handed over", f.not_solved, 3),
    ):
        table.add_row(words, f"{one.value:.{digits}f}", _range(one, digits))
    open_console().print(table)


def _show_comparison(found: "Comparison") -> None:
    from rich import box  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415

    first = found.results[0]
    title = f"{_about(first)}: the same {first.figures.jobs} jobs, seed {first.seed}"
    heads = ("policy", "finding", "labour", "all costs", "tests", "good parts", "left")
    table = Table(*heads, "saved", "", title=title, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in table.columns:
        column.no_wrap = True
        column.justify = "left" if column.header == "policy" else "right"
    for place, one in enumerate(found.results):
        table.add_row(one.policy, *_row(one), *_saved(found, place))
    console = open_console()
    console.print(table)
    console.print(
        "Minutes of finding out are over and above those of a job whose fault is known; labour is "
        "without the price of parts, all costs are with it. Tests and good parts replaced: in a "
        f"job; left: share handed over. Saved: by {first.policy} in a job, and as a share of the "
        "minutes of finding out. Plus or minus: 95 % interval."
    )


def _row(one: "TrialResult") -> list[str]:
    f = one.figures
    minutes = [_half(x, 1) for x in (f.finding_minutes, f.labour_minutes, f.mean_minutes)]
    return [
        *minutes,
        f"{f.tests.value:.1f}",
        f"{f.good_parts.value:.3f}",
        f"{f.not_solved.value:.3f}",
    ]


def _saved(found: "Comparison", place: int) -> list[str]:
    if place == 0:
        return ["", ""]
    saved = found.saved[place - 1]
    return [_half(saved.minutes, 1), f"{saved.finding_minutes_percent:.0f} %"]


def _half(one: "Interval", digits: int) -> str:
    return f"{one.value:.{digits}f} ±{one.high - one.value:.{digits}f}"


def _range(one: "Interval", digits: int) -> str:
    return f"{one.low:.{digits}f} to {one.high:.{digits}f}"
