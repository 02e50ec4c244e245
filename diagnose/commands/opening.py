"""Opening a job from what stands on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.job import Job


def open_job(
    machine: str,
    complaint: str | None,
    findings: Iterable[str] | None = None,
    tools: Iterable[str] | None = None,
    areas: Iterable[str] | None = None,
) -> Job:
    """A job with all findings recorded, in the order given.

    Raises:
        typer.BadParameter: no complaint.
        DiagnoseError: a name, unit or reading that the machine does not have; a machine file
            with problems; findings that clash.
    """
    from diagnose.job import Job, parse_finding  # noqa: PLC0415  the engine loads on use only

    if complaint is None:
        raise typer.BadParameter(
            "say what the customer reports; `diagnose machines MACHINE` lists the complaints",
            param_hint="--complaint",
        )
    job = Job.open(
        machine, complaint=complaint, tools=tuple(tools or ()), open_areas=tuple(areas or ())
    )
    for text in findings or ():
        job = job.record(*parse_finding(text))
    return job
