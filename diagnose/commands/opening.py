"""Opening a job from what stands on the command line."""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING

import typer

from diagnose.commands.output import print_progress
from diagnose.commands.turn import UNCHECKED
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
    before: Iterable[str] | None = None,
    repaired: Iterable[str] | None = None,
) -> Job:
    """A job with all findings and repairs recorded, in the order given.

    Raises:
        typer.BadParameter: no complaint.
        DiagnoseError: a name, unit or reading that the machine does not have; a machine file
            with problems; findings that clash.
    """
    complaint = given(complaint)
    import_numba_without_blas()
    from diagnose.job import Job  # noqa: PLC0415  the engine loads on use only

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
    told = [test for stretch in (*stretches, results) for test, _ in stretch]
    for test in doubted - set(told):
        raise UnknownNameError("finding", test, told, "--unsure")
    for stretch, (part, repair, check) in zip(stretches, done, strict=True):
        job = _record_all(job, stretch, doubted).repair(part, repair, check)
    return _record_all(job, results, doubted)


def _record_all(job: Job, results: Iterable[tuple[str, str]], doubted: set[str]) -> Job:
    for test, result in results:
        job = job.record(test, result, sure=TOLD if test in doubted else 1.0)
    return job


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


def split_repair(text: str) -> tuple[str, str, str | None]:
    """Part, repair and check of `PART.REPAIR=CHECK`; None for a check not made yet.

    Raises:
        typer.BadParameter: one of the three is missing or not known.
    """
    target, _, check = (part.strip() for part in text.partition("="))
    part, _, repair = target.partition(".")
    if not part or not repair or not check:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected PART.REPAIR=runs, =same, =unchecked, or the complaint "
            "that it shows now",
            param_hint="--repaired",
        )
    return part, repair, None if check == UNCHECKED else check


def split_before(texts: Iterable[str], repairs: int) -> list[list[tuple[str, str]]]:
    """The findings before each repair, from `TEST=RESULT` or `N:TEST=RESULT`.

    Raises:
        typer.BadParameter: one that cannot be read, or is before a repair that was not done.
    """
    findings: list[list[tuple[str, str]]] = [[] for _ in range(repairs)]
    for text in texts:
        number, colon, rest = text.partition(":")
        if not colon:
            number, rest = "1", text
        if not number.strip().isdecimal() or not 1 <= int(number) <= repairs:
            raise typer.BadParameter(
                f"{text!r} is before repair {number.strip()}, but --repaired names {repairs}",
                param_hint="--before",
            )
        findings[int(number) - 1].append(split_finding(rest, "--before"))
    return findings


def given(complaint: str | None) -> str:
    """The complaint, as a job needs one.

    Raises:
        typer.BadParameter: there is none.
    """
    if complaint is None:
        raise typer.BadParameter(
            "say what the customer reports; `diagnose machines MACHINE` lists the complaints",
            param_hint="--complaint",
        )
    return complaint


def import_numba_without_blas() -> None:
    """Load numba's array functions while they cannot find BLAS.

    On its first use numba looks for BLAS and loads scipy.linalg for it, which takes longer than
    answering does. No kernel of this project multiplies matrices. Only for the processes of the
    command line: a program that uses this package as a library may want numba's linear algebra.
    """
    wanted = "scipy.linalg"
    if wanted in sys.modules:
        return
    sys.modules[wanted] = None  # type: ignore[assignment]  # makes its import fail at once
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del sys.modules[wanted]
