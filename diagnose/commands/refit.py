"""`diagnose refit`: priors from closed repair orders."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.output import open_console, print_json, print_progress, say

if TYPE_CHECKING:
    from diagnose.machine.overlay import Overlay
    from diagnose.refit.tables import Tables

SHOWN = 8
"""Rates, problems and words that are shown; the files have them all."""


def refit(
    orders: Annotated[
        Path, typer.Argument(metavar="ORDERS", help="CSV or Parquet.", show_default=False)
    ],
    steps: Annotated[
        Path, typer.Argument(metavar="STEPS", help="CSV or Parquet.", show_default=False)
    ],
    machine: Annotated[
        str, typer.Option("--machine", help=options.MACHINE_HELP, show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the priors to this file, as YAML.")
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option("--mapping", help="CSV `what,machine,text,id`: the shop's words for ids."),
    ] = None,
    refused: Annotated[
        Path | None,
        typer.Option(
            "--refused",
            help="Folder for what cannot be used, with the reasons. Left out: beside --out.",
        ),
    ] = None,
    report: Annotated[
        Path | None, typer.Option("--report", help="Write a page about it, and its tables.")
    ] = None,
    judge: Annotated[
        bool,
        typer.Option(
            help="Foretell the later orders from those before them, and say whether to adopt."
        ),
    ] = True,
    jobs: Annotated[
        int,
        typer.Option(
            "--jobs", min=0, max=100_000, help="Simulated jobs for the report's minutes; 0: none."
        ),
    ] = 200,
    dask: Annotated[
        str | None,
        typer.Option(
            "--dask",
            metavar="ADDRESS",
            help="Work the orders through on a Dask cluster, e.g. tcp://desk:8786; same figures.",
            show_default=False,
        ),
    ] = None,
    time_zone: Annotated[
        str, typer.Option("--time-zone", help="Of times without an offset, e.g. Europe/London.")
    ] = "UTC",
    priors: options.Priors = None,
    json: options.Json = False,
) -> None:
    """Learn a machine's priors from closed repair orders.

    Rows that cannot be used are counted and written down with the reason, never left out silently.
    With --priors the fit begins from those instead of the file's own.
    """
    from diagnose.commands.opening import with_priors  # noqa: PLC0415
    from diagnose.machine.overlay_file import read_overlay, rounded, write_overlay  # noqa: PLC0415
    from diagnose.refit.judged import judged_of  # noqa: PLC0415
    from diagnose.refit.tables import read_tables  # noqa: PLC0415

    known = with_priors(machine, None)
    before = None if priors is None else read_overlay(priors, known)
    tables = read_tables(orders, steps, known, mapping, time_zone=time_zone)
    folder = refused or _beside(out or report)
    files = () if folder is None else tables.write(folder)
    if not json:
        typer.echo(read_words(tables, files))
    fitted = fitted_with_bar(tables, known, before, dask)
    trust = judged_with_bar(tables, known, before) if judge else None
    overlay = rounded(replace(fitted.overlay(), judged=trust and judged_of(trust)))
    if out is not None:
        write_overlay(overlay, out)
    if report is not None:
        write_page(report, overlay, tables, fitted, trust, jobs)
    if json:
        print_json(told(overlay, tables, fitted, trust, [out, report]))
        return
    say(None, "\n".join(_words(overlay, fitted, trust, out, report)), as_json=False)


def _beside(file: Path | None) -> Path | None:
    return None if file is None else file.with_name(f"{file.stem}_refused")


def fitted_with_bar(
    tables: "Tables", machine: Any, before: "Overlay | None", dask: str | None = None
) -> Any:
    """The refit of the orders that can be used, with a bar while it runs."""
    from rich.progress import Progress  # noqa: PLC0415

    from diagnose.refit.refit import refit as fit  # noqa: PLC0415

    own_orders, own_steps = tables.of(machine.id)
    if dask is not None:
        print_progress(f"{machine.id}: working the orders through at {dask}")
        with client_at(dask) as client:
            workers = max(len(client.scheduler_info(n_workers=-1)["workers"]), 1)
            pool = client.get_executor()
            return fit(
                own_orders, own_steps, machine, shipped=before, executor=pool, pieces=4 * workers
            )
    with Progress(console=open_console(on_stderr=True), transient=True) as bar:
        task = bar.add_task(f"{machine.id}: working the orders through")
        return fit(
            own_orders,
            own_steps,
            machine,
            shipped=before,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )


def client_at(address: str) -> Any:
    """A client of a Dask cluster.

    Raises:
        RequestError: nobody answers there, or Dask is not installed.
    """
    from diagnose.errors import RequestError  # noqa: PLC0415

    try:
        from distributed import Client  # noqa: PLC0415

        connect: Any = Client
        return connect(address, timeout="10s", set_as_default=False)
    except ImportError as error:
        raise RequestError("Dask is not installed; `pip install distributed`", "dask") from error
    except (OSError, ValueError) as error:
        raise RequestError(f"no Dask scheduler answers at {address}", "dask") from error


def judged_with_bar(tables: "Tables", machine: Any, before: "Overlay | None") -> Any:
    """How later orders were foretold; None where there are too few."""
    from diagnose.errors import RequestError  # noqa: PLC0415
    from diagnose.refit.trust import believe  # noqa: PLC0415

    orders, steps = tables.of(machine.id)
    print_progress(f"{machine.id}: foretelling the later orders from those before them")
    try:
        return believe(orders, steps, machine, shipped=before)
    except RequestError:
        return None


def write_page(
    file: Path, overlay: "Overlay", tables: "Tables", fitted: Any, trust: Any, jobs: int
) -> None:
    """Write the report, with a bar while jobs are simulated."""
    from rich.progress import Progress  # noqa: PLC0415

    from diagnose.refit.judged import judged_frames  # noqa: PLC0415
    from diagnose.refit.report import make_report, write_report  # noqa: PLC0415

    machine = fitted.machine
    judged = {"counts": fitted.counts_frame(), "factors": fitted.factors_frame()}
    if trust is not None:
        judged |= judged_frames(machine, trust, fitted, *tables.of(machine.id))
    with Progress(console=open_console(on_stderr=True), transient=True) as bar:
        task = bar.add_task(f"{machine.id}: what it is worth")
        made = make_report(
            machine,
            overlay,
            tables=tables,
            judged=judged,
            verdict=("", "") if trust is None else (trust.verdict, trust.reason),
            notes=(*_aside(fitted), *fitted.warnings),
            jobs=jobs,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    write_report(made, file)


def _aside(fitted: Any) -> tuple[str, ...]:
    """What was set aside of the orders that could be read."""
    return tuple(f"Set aside: {n} orders ({why})." for why, n in fitted.counted.aside.items())


def read_words(tables: "Tables", files: tuple[Path, ...] = ()) -> str:
    """What was read, what was wrong most often, and where all of it stands."""
    lines = []
    for table, counts in tables.counts.items():
        others = counts["of_other_machines"]
        lines.append(
            f"{table}: {counts['read']:,} read, {counts['used']:,} used, {counts['refused']:,} "
            f"refused{f', {others:,} of other machines' if others else ''}"
        )
    tally = tables.tally()
    for row in tally[tally["done"] != "put right"].head(SHOWN).to_dict("records"):
        where = f"{row['table']} {row['column']}".strip()
        lines.append(f"  {row['times']:>6}  {where}: {row['problem']} ({row['done']})")
    right = int(tally.loc[tally["done"] == "put right", "times"].sum())
    if right:
        lines.append(f"  {right:>6}  cells read as they were meant")
    if len(tables.unmapped):
        lines.append(f"{len(tables.unmapped)} words have no id; the most frequent:")
        for word in tables.unmapped.head(3).to_dict("records"):
            near = f"; nearest is {word['nearest']}" if word["nearest"] else ""
            lines.append(f"  {word['times']:>6}  {word['what']} '{word['text']}'{near}")
    lines += [f"written: {file}" for file in files]
    return "\n".join(lines)


def told(
    overlay: "Overlay", tables: "Tables", fitted: Any, trust: Any, files: "list[Path | None]"
) -> dict[str, Any]:
    """All of it as plain data."""
    from diagnose.refit.frames import rates_frame  # noqa: PLC0415

    rates = rates_frame(fitted.machine, overlay)
    return {
        "machine": overlay.machine,
        "machine_version": overlay.machine_version,
        "priors_version": overlay.version,
        "window": [overlay.window_from, overlay.window_to],
        "orders": overlay.orders,
        "set_aside": dict(fitted.counted.aside),
        "read": {table: dict(counts) for table, counts in tables.counts.items()},
        "problems": tables.tally().to_dict("records"),
        "unmapped": tables.unmapped.to_dict("records"),
        "rates": rates.astype(object).where(rates.notna(), None).to_dict("records"),
        "not_identified": [list(group.members) for group in overlay.not_identified],
        "warnings": list(fitted.warnings),
        "verdict": None if trust is None else {"action": trust.verdict, "reason": trust.reason},
        "files": [str(file) for file in files if file is not None],
    }


def _words(
    overlay: "Overlay", fitted: Any, trust: Any, out: Path | None, report: Path | None
) -> tuple[str, ...]:
    lines = [str(fitted.summary()), f"priors {overlay.version}"]
    if trust is not None:
        lines.append(f"{trust.verdict}: {trust.reason}")
    if out is not None:
        lines.append(f"{out}: try them with --priors, take them with `diagnose priors adopt`")
    if report is not None:
        lines.append(f"{report}: the report")
    return tuple(lines)
