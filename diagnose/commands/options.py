"""Options that several commands share, described once."""

from pathlib import Path
from typing import Annotated

import typer

MACHINE_HELP = "Id of a machine, or the path of a machine file."

Machine = Annotated[str, typer.Argument(metavar="MACHINE", help=MACHINE_HELP, show_default=False)]
Complaint = Annotated[
    str | None,
    typer.Option("--complaint", "-c", help="What the customer says: id of a complaint."),
]
Findings = Annotated[
    list[str] | None,
    typer.Option(
        "--finding",
        "-f",
        metavar="TEST=RESULT",
        help="TEST=OUTCOME, or a reading with its unit: TEST=12.3V. Once for each finding.",
    ),
]
Before = Annotated[
    list[str] | None,
    typer.Option(
        metavar="[N:]TEST=RESULT",
        help="Found before a repair: TEST=RESULT before the first, 2:TEST=RESULT between the "
        "first and the second. Once for each finding.",
    ),
]
Repaired = Annotated[
    list[str] | None,
    typer.Option(
        metavar="PART.REPAIR=CHECK",
        help="A repair that was done and what trying the machine after it showed: `runs`, `same`, "
        "`unchecked`, `other`, or the complaint that it shows now. Once for each, in the order "
        "done.",
    ),
]
Tools = Annotated[
    list[str] | None,
    typer.Option("--tool", "-t", help="Tool at hand; once for each. Left out: all of them."),
]
Areas = Annotated[
    list[str] | None,
    typer.Option("--open", "-o", help="Area that is open already; once for each."),
]
Celsius = Annotated[
    float, typer.Option(help="Temperature of the battery; it shifts what a good one reads.")
]
Unsure = Annotated[
    list[str] | None,
    typer.Option(
        help="Test whose finding was only told or half seen; it counts for less. Once for each."
    ),
]
LookFurther = Annotated[
    bool,
    typer.Option(
        "--look-further",
        help="Also play the job to its end: minutes left, the leading actions, what comes then.",
    ),
]
BudgetMs = Annotated[
    float,
    typer.Option(
        min=1.0,
        max=60_000.0,
        help="Milliseconds to spend on --look-further. More of them, smaller errors.",
    ),
]
Priors = Annotated[
    Path | None,
    typer.Option(
        "--priors",
        metavar="FILE",
        help="Priors learnt from closed orders, as `diagnose refit` writes them. Left out: as the "
        "machine's file says.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Answer with a JSON document.")]
