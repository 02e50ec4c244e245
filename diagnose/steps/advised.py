"""What the tool proposes, in one line, as it is kept with the step that came then."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from diagnose.errors import ClashError

if TYPE_CHECKING:
    from diagnose.advice.advice import Verdict
    from diagnose.job import Job

CLASH = "clash"
"""Stands for an action where the findings so far cannot all be true."""


def advised(job: Job) -> str:
    """Action and target of what the tool proposes now, such as `test battery_rest` or `done`."""
    try:
        return advised_by(job.advise().verdict)
    except ClashError:
        return CLASH


def advised_by(verdict: Verdict) -> str:
    """The same from a verdict that is known already."""
    return f"{verdict.action} {verdict.target}".rstrip()


def tool_version() -> str:
    """Version of this program; `unknown` where it is not installed."""
    try:
        return version("nostart-diagnose")
    except PackageNotFoundError:
        return "unknown"
