"""Options that several commands share, described once."""

from typing import Annotated

import typer

Machine = Annotated[
    str,
    typer.Argument(
        metavar="MACHINE",
        help="Id of a machine, or the path of a machine file.",
        show_default=False,
    ),
]
Complaint = Annotated[
    str | None,
    typer.Option("--complaint", "-c", help="What the customer says: id of a complaint."),
]
Findings = Annotated[
    list[str] | None,
    typer.Option(
        "--finding",
        "-f",
        help="TEST=OUTCOME, or a reading with its unit: TEST=12.3V. Once for each finding.",
        metavar="TEST=RESULT",
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
    float,
    typer.Option("--celsius", help="Temperature of the battery; it shifts what a good one reads."),
]
Unsure = Annotated[
    list[str] | None,
    typer.Option(
        "--unsure",
        help="Test whose finding was only told or half seen; it counts for less. Once for each.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Answer with a JSON document.")]
