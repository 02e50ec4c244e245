"""`diagnose store`: looking after the jobs that are kept."""

from pathlib import Path
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.opened_store import opened_store
from diagnose.commands.output import say


def upgrade(json: options.Json = False) -> None:
    """Bring the tables to the version of this program; make a backup first."""
    from diagnose.store.store import upgrade_store  # noqa: PLC0415

    before, now = upgrade_store()
    words = f"The tables have version {now}, as before."
    if before != now:
        words = f"The tables have version {now} now; before: {before or 'none'}."
    say({"before": before, "now": now}, words, as_json=json)


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="New file.", show_default=False)],
    json: options.Json = False,
) -> None:
    """Copy a SQLite store into a file, while others may go on writing."""
    with opened_store() as store:
        store.backup(file)
    words = (
        f"{file}: a copy of the store; to go back to it, put it in the place of the store's file."
    )
    say({"file": str(file), "bytes": file.stat().st_size}, words, as_json=json)


def check(json: options.Json = False) -> None:
    """Find out whether all that is kept is sound; code 1 where it is not."""
    with opened_store() as store:
        problems = store.check()
        name = store.name
    words = "\n".join(problems) if problems else f"{name}: sound."
    say({"store": name, "problems": list(problems)}, words, as_json=json)
    if problems:
        raise typer.Exit(1)


def export(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Is made where there is none.", show_default=False),
    ],
    format_: Annotated[str, typer.Option("--format", help="csv, jsonl or parquet.")] = "csv",
    json: options.Json = False,
) -> None:
    """Write the closed jobs of all shops as the two tables `orders` and `steps`."""
    from diagnose.commands.turn import chosen  # noqa: PLC0415
    from diagnose.store.writers import WRITERS  # noqa: PLC0415

    ending = chosen("format", format_, list(WRITERS))
    with opened_store() as store:
        files = store.export(folder, ending)
    names = [str(file) for file in files]
    say({"files": names}, "\n".join(names), as_json=json)
