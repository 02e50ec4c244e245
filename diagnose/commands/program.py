"""All commands under one name, and what becomes of their errors."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import typer

from diagnose.commands import exits
from diagnose.commands.advise import advise
from diagnose.commands.bench import bench
from diagnose.commands.card import card
from diagnose.commands.demo import demo
from diagnose.commands.machine_files import check, draw, machines, network, schema
from diagnose.commands.output import print_error
from diagnose.commands.review import review
from diagnose.commands.serve import serve
from diagnose.commands.trial import trial
from diagnose.errors import DiagnoseError, MachineFileError

if TYPE_CHECKING:
    from collections.abc import Sequence

HELP = "Finds the failed part of a machine that will not start, in the fewest minutes of labour."
COMMANDS = (
    *(demo, machines, advise, bench, card, check),
    *(schema, review, network, draw, trial, serve),
)


def make_app() -> typer.Typer:
    """The Typer application, with Rich kept out of help and errors."""
    codes = "\n".join(f"{code:>4}  {meaning}" for code, meaning in exits.MEANINGS.items())
    app = typer.Typer(
        help=HELP,
        epilog=f"Exit codes:\n\n\b\n{codes}",
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["--help", "-h"]},
    )
    for command in COMMANDS:
        app.command()(command)
    return app


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and give its exit code; no exception comes out.

    Args:
        arguments: words after `diagnose`; default: those of this process. None at all asks for
            help.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        code = make_app()(args=words or ["--help"], prog_name="diagnose", standalone_mode=False)
        sys.stdout.flush()
    except Exception as error:
        return _report(error)
    except KeyboardInterrupt:
        return exits.INTERRUPTED
    return code if isinstance(code, int) else exits.DONE


def _report(error: Exception) -> int:
    """Say in one line (machine files: one per problem) what went wrong; the exit code for it."""
    if isinstance(error, MachineFileError):
        for line in str(error).splitlines():
            print_error(line, prefix="")
        return exits.MACHINE_FILE
    if isinstance(error, BrokenPipeError):  # the reader of our output has gone, e.g. `head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return exits.OTHER
    if isinstance(error, typer.Abort):
        return exits.INTERRUPTED
    print_error(_sentence(error))
    if isinstance(error, DiagnoseError):
        return exits.exit_code(error)
    return error.exit_code if isinstance(error, typer.TyperException) else exits.OTHER


def _sentence(error: Exception) -> str:
    if isinstance(error, DiagnoseError):
        return str(error)
    if isinstance(error, typer.TyperException):
        context = getattr(error, "ctx", None)
        return error.format_message() + (f" (more: {context.command_path} -h)" if context else "")
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return f"a fault of this program, {type(error).__name__}: {error}"
