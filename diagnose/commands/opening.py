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
    from pathlib import Path

    from diagnose.job import Job
    from diagnose.machine.model import Machine
    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.opening import Opening

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
    priors: Path | None = None,
) -> Job:
    """A job with all findings and repairs recorded, in the order given.

    Raises:
        typer.BadParameter: no complaint.
        DiagnoseError: a name, unit or reading that the machine does not have; a machine or priors
            file with problems; findings that clash.
    """
    opening = opening_of(machine, given(complaint), tools, areas, celsius)
    return opened(opening, steps_of(findings, unsure, before, repaired), priors)


def opening_of(
    machine: str,
    complaint: str,
    tools: Iterable[str] | None = None,
    areas: Iterable[str] | None = None,
    celsius: float = 20.0,
) -> Opening:
    """How a job begins, from what stands on the command line."""
    from diagnose.steps.opening import Opening  # noqa: PLC0415  not paid for by `--help`

    return Opening(
        machine=machine,
        complaint=complaint,
        tools=tuple(tools or ()),
        open_areas=tuple(areas or ()),
        temperature_celsius=celsius,
    )


def steps_of(
    findings: Iterable[str] | None = None,
    unsure: Iterable[str] | None = None,
    before: Iterable[str] | None = None,
    repaired: Iterable[str] | None = None,
) -> tuple[AnyStep, ...]:
    """What was found and done, as steps in order.

    Raises:
        typer.BadParameter: one that cannot be read.
        UnknownNameError: a test in `unsure` that is not among the findings.
    """
    from diagnose.steps.kinds import Found, Repaired  # noqa: PLC0415

    results = [split_finding(text) for text in findings or ()]
    done = [split_repair(text) for text in repaired or ()]
    stretches = [*split_before(before or (), len(done)), results]
    doubted = set(unsure or ())
    told = [test for stretch in stretches for test, _ in stretch]
    for test in doubted - set(told):
        raise UnknownNameError("finding", test, told, "--unsure")
    steps: list[AnyStep] = []
    for number, stretch in enumerate(stretches):
        for test, result in stretch:
            sure = TOLD if test in doubted else 1.0
            steps.append(Found(test=test, outcome=result, sure=sure))
        if number < len(done):
            part, repair, check = done[number]
            steps.append(Repaired(part=part, repair=repair, shown=check))
    return tuple(steps)


def with_priors(machine: str | Machine, priors: Path | None) -> Machine:
    """A machine, by its id or path, with a priors file laid over it where there is one.

    Raises:
        DiagnoseError: no such machine; a machine or priors file with problems, or priors that were
            made for another machine.
    """
    from diagnose.machine.load import load_machine  # noqa: PLC0415
    from diagnose.machine.model import Machine  # noqa: PLC0415
    from diagnose.machine.overlay_file import read_overlay  # noqa: PLC0415

    known = machine if isinstance(machine, Machine) else load_machine(machine)
    return known if priors is None else read_overlay(priors, known).applied(known)


def opened(opening: Opening, steps: Iterable[AnyStep], priors: Path | None = None) -> Job:
    """The job that these come to, with a priors file laid over the machine where there is one.

    Raises:
        DiagnoseError: as `open_job`.
    """
    import_numba_without_blas()
    from diagnose.job import Job  # noqa: PLC0415  the engine loads on use only
    from diagnose.steps.apply import apply  # noqa: PLC0415

    job = Job.open(
        opening.machine,
        complaint=opening.complaint,
        tools=opening.tools,
        open_areas=opening.open_areas,
        temperature_celsius=opening.temperature_celsius,
        progress=print_progress,
        priors=priors,
    )
    for step in steps:
        job = apply(job, step)
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
