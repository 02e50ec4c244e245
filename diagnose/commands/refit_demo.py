"""`diagnose demo --analyst`: priors from the orders of an invented shop."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from diagnose.commands.refit import refit
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from pathlib import Path

ORDERS, STEPS, WORDS = "larkfield_orders.csv", "larkfield_steps.csv", "larkfield_words.csv"
JOBS = 100
"""Simulated jobs for the minutes; a demonstration need not be sharp."""


def refit_demo(machine: str, folder: Path, *, as_json: bool) -> None:
    """Refit a machine from the invented orders; tables, priors and report go into a folder.

    Raises:
        DiagnoseError: as `diagnose refit`.
        OSError: the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    data = resources.files("diagnose.datasets")
    for name in (ORDERS, STEPS, WORDS):
        write_whole(folder / name, data.joinpath(name).read_bytes())
    refit(
        folder / ORDERS,
        folder / STEPS,
        machine,
        out=folder / f"{machine}_priors.yaml",
        mapping=folder / WORDS,
        report=folder / f"{machine}_report.html",
        jobs=JOBS,
        json=as_json,
    )
