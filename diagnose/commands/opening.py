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
    from diagnose.machine.model import Machine


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
    before: Iterable[str] | None = None,
    repaired: Iterable[str] | None = None,
) -> Job:
    """A job with all findings and repairs recorded, in the order given.

    Raises:
        typer.BadParameter: no complaint.
        DiagnoseError: a name, unit or reading that the machine does not have; a machine file
            with problems; findings that clash.
    """
    import_numba_without_blas()
    from diagnose.job import Job  # noqa: PLC0415  the engine loads on use only

    if complaint is None:
        raise _no_complaint()
    results = [split_finding(text) for text in findings or ()]
    job = Job.open(
        machine,
        complaint=complaint,
        tools=tuple(tools or ()),
        open_areas=tuple(areas or ()),
        temperature_celsius=celsius,
        progress=print_progress,
    )
    done = [split_repair(text) for text in repaired or ()]
    stretches = split_before(before or (), len(done))
    doubted = set(unsure or ())
    told = [test for found in (*stretches, results) for test, _ in found]
    for test in doubted - set(told):
        raise UnknownNameError("finding", test, told, "--unsure")
    for found, (part, repair, gone) in zip(stretches, done, strict=True):
        job = _record_all(job, found, doubted).repair(part, repair, gone=gone)
    return _record_all(job, results, doubted)


def _record_all(job: Job, results: Iterable[tuple[str, str]], doubted: set[str]) -> Job:
    for test, result in results:
        job = job.record(test, result, sure=TOLD if test in doubted else 1.0)
    return job


def known_complaint(machine: Machine, complaint: str | None) -> str:
    """The complaint itself.

    Raises:
        typer.BadParameter: no complaint.
        UnknownNameError: the machine does not have it.
    """
    if complaint is None:
        raise _no_complaint()
    if complaint not in machine.complaints:
        raise UnknownNameError("complaint", complaint, machine.complaints)
    return complaint


def _no_complaint() -> typer.BadParameter:
    return typer.BadParameter(
        "say what the customer reports; `diagnose machines MACHINE` lists the complaints",
        param_hint="--complaint",
    )


CHECKS = {"gone": True, "still": False, "unchecked": None}
"""What the check after a repair showed, as it is typed."""


def split_repair(text: str, option: str = "--repaired") -> tuple[str, str, bool | None]:
    """Part, repair and check of `PART.REPAIR=CHECK`.

    Raises:
        typer.BadParameter: one of the three is missing or not known.
    """
    target, _, check = (part.strip() for part in text.partition("="))
    part, _, repair = target.partition(".")
    if not part or not repair or check not in CHECKS:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected PART.REPAIR=gone, =still or =unchecked",
            param_hint=option,
        )
    return part, repair, CHECKS[check]


def split_before(texts: Iterable[str], repairs: int) -> list[list[tuple[str, str]]]:
    """The findings before each repair, from `TEST=RESULT` or `N:TEST=RESULT`.

    Raises:
        typer.BadParameter: one that cannot be read, or is before a repair that was not done.
    """
    found: list[list[tuple[str, str]]] = [[] for _ in range(repairs)]
    for text in texts:
        number, colon, rest = text.partition(":")
        if not colon:
            number, rest = "1", text
        if not number.strip().isdecimal() or not 1 <= int(number) <= repairs:
            raise typer.BadParameter(
                f"{text!r} is before repair {number.strip()}, but --repaired names {repairs}",
                param_hint="--before",
            )
        found[int(number) - 1].append(split_finding(rest, "--before"))
    return found


def split_finding(text: str, option: str = "--finding") -> tuple[str, str]:
    """Test and result of `TEST=RESULT`.

    Raises:
        typer.BadParameter: one of the two is missing.
    """
    test, _, result = (part.strip() for part in text.partition("="))
    if not test or not result:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected TEST=OUTCOME or TEST=12.3V", param_hint=option
        )
    return test, result
