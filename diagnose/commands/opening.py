"""Opening a job from what stands on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from diagnose.commands.output import print_progress
from diagnose.commands.quick_start import import_numba_without_blas
from diagnose.errors import UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.job import Job


TOLD = 0.7
"""How much a finding that was only told or half seen is trusted. Estimate."""


def open_job(
    machine: str,
    complaint: str | None,
    findings: Iterable[str] | None = None,
    tools: Iterable[str] | None = None,
    areas: Iterable[str] | None = None,
    celsius: float = 20.0,
    unsure: Iterable[str] | None = None,
) -> Job:
    """A job with all findings recorded, in the order given.

    Raises:
        typer.BadParameter: no complaint.
        DiagnoseError: a name, unit or reading that the machine does not have; a machine file
            with problems; findings that clash.
    """
    import_numba_without_blas()
    from diagnose.job import Job  # noqa: PLC0415  the engine loads on use only

    if complaint is None:
        raise typer.BadParameter(
            "say what the customer reports; `diagnose machines MACHINE` lists the complaints",
            param_hint="--complaint",
        )
    results = [split_finding(text) for text in findings or ()]
    job = Job.open(
        machine,
        complaint=complaint,
        tools=tuple(tools or ()),
        open_areas=tuple(areas or ()),
        temperature_celsius=celsius,
        progress=print_progress,
    )
    doubted = set(unsure or ())
    for test in doubted - {test for test, _ in results}:
        raise UnknownNameError("finding", test, [test for test, _ in results], "--unsure")
    for test, result in results:
        job = job.record(test, result, sure=TOLD if test in doubted else 1.0)
    return job


def split_finding(text: str) -> tuple[str, str]:
    """Test and result of `TEST=RESULT`.

    Raises:
        typer.BadParameter: one of the two is missing.
    """
    test, _, result = (part.strip() for part in text.partition("="))
    if not test or not result:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected TEST=OUTCOME or TEST=12.3V", param_hint="--finding"
        )
    return test, result
