"""`diagnose jobs`: the jobs that are kept."""

from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json, say

if TYPE_CHECKING:
    from diagnose.store.records import KeptJob


def jobs(
    status: Annotated[
        str | None, typer.Option(help="Only open, runs, handed_over or closed ones.")
    ] = None,
    machine: Annotated[str | None, typer.Option(help="Only of this machine's id.")] = None,
    reference: Annotated[str | None, typer.Option(help="Only with the shop's own number.")] = None,
    since: Annotated[
        datetime | None, typer.Option(help="Only those changed then or later, local time.")
    ] = None,
    shop: Annotated[str, typer.Option(help="Of this shop.")] = "local",
    limit: Annotated[int, typer.Option(min=1, max=200, help="So many at most.")] = 20,
    json: options.Json = False,
) -> None:
    """List the jobs that are kept, the latest opened first."""
    from diagnose.commands.opened_store import opened_store  # noqa: PLC0415
    from diagnose.store.jobs import Filter  # noqa: PLC0415

    changed = None if since is None else since.astimezone()
    with opened_store() as store:
        listed = store.jobs(shop, Filter(status, reference, machine, changed), limit=limit)
    if json:
        print_json(
            {"jobs": [job_json(job) for job in listed.jobs], "more": listed.cursor is not None}
        )
        return
    lines = [_line(job) for job in listed.jobs] or ["No jobs are kept."]
    if listed.cursor is not None:
        lines.append("... and more; see --limit")
    say(None, "\n".join(lines), as_json=False)


def job_json(job: "KeptJob") -> dict[str, Any]:
    """A job as plain data; times in ISO 8601."""
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in asdict(job).items()
    }


def _line(job: "KeptJob") -> str:
    """Id, when, machine, complaint, how far it is, the shop's own number."""
    when = f"{job.opened_at.astimezone():%Y-%m-%d %H:%M}"
    state = job.status if job.ended is None else f"closed ({job.ended})"
    steps = f"{job.version} step{'s' if job.version != 1 else ''}"
    told = (job.job_id, when, f"{job.machine}: {job.complaint_told}", state, steps)
    return "  ".join([*told, *([job.shop_reference] if job.shop_reference else [])])
