"""All commands under one name, and what becomes of their errors."""

from __future__ import annotations

import os
import sys
from types import MappingProxyType
from typing import TYPE_CHECKING

import typer

from diagnose import errors
from diagnose.commands.advise import advise
from diagnose.commands.bench import bench
from diagnose.commands.card import card
from diagnose.commands.demo import demo
from diagnose.commands.machine_files import check, draw, machines, network, schema
from diagnose.commands.new_file import new
from diagnose.commands.output import print_error
from diagnose.commands.problems import print_problems
from diagnose.commands.review import review
from diagnose.commands.serve import serve
from diagnose.commands.trial import trial
from diagnose.errors import DiagnoseError, MachineFileError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

DONE, OTHER, INTERRUPTED = 0, 1, 130

EXITS: Mapping[int, tuple[str, tuple[type[DiagnoseError], ...]]] = MappingProxyType(
    {
        DONE: ("done", ()),
        OTHER: ("anything else, such as a file that cannot be written", ()),
        2: ("a command or option that cannot be read", ()),
        3: (
            "a machine, complaint, test, outcome, tool or area that does not exist",
            (errors.UnknownNameError,),
        ),
        4: (
            "a reading in the wrong unit or out of range",
            (errors.ValueOutOfRangeError, errors.UnitError),
        ),
        5: ("findings that cannot all be true", (errors.ClashError,)),
        6: ("a machine file with problems", (MachineFileError,)),
        7: (
            "a circuit or network that cannot be solved, or is too large",
            (errors.CircuitError, errors.NetworkError, errors.NetworkTooLargeError),
        ),
        INTERRUPTED: ("stopped at the keyboard", ()),
    }
)
"""Exit code -> what went wrong, for a script that only sees a number, and the errors it is for."""

HELP = "Finds the failed part of a machine that will not start, in the fewest minutes of labour."
COMMANDS = (
    *(demo, machines, advise, bench, card, check),
    *(new, schema, review, network, draw, trial, serve),
)


def make_app() -> typer.Typer:
    """The Typer application, with Rich kept out of help and errors."""
    codes = "\n".join(f"{code:>4}  {meaning}" for code, (meaning, _) in EXITS.items())
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

    Without `arguments` it is that of this process. No words at all ask for help.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        code = make_app()(args=words or ["--help"], prog_name="diagnose", standalone_mode=False)
        sys.stdout.flush()
    except Exception as error:
        return _report(error, words)
    except KeyboardInterrupt:
        return INTERRUPTED
    return code if isinstance(code, int) else DONE


def exit_code(error: Exception) -> int:
    """The exit code for what went wrong."""
    if isinstance(error, typer.Abort):
        return INTERRUPTED
    if isinstance(error, typer.TyperException):
        return error.exit_code
    return next((code for code, (_, kinds) in EXITS.items() if isinstance(error, kinds)), OTHER)


def _report(error: Exception, words: Sequence[str]) -> int:
    """Say in one line (machine files: one per problem) what went wrong; the exit code for it."""
    checking, as_json = words[:1] == ["check"], "--json" in words
    if isinstance(error, MachineFileError):
        print_problems(error, checking=checking, as_json=as_json)
    elif isinstance(error, BrokenPipeError):  # the reader of our output has gone, e.g. `head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    elif not isinstance(error, typer.Abort):
        print_error(_sentence(error))
    return exit_code(error)


def _sentence(error: Exception) -> str:
    if isinstance(error, DiagnoseError):
        return str(error)
    if isinstance(error, typer.TyperException):
        context = getattr(error, "ctx", None)
        return error.format_message() + (f" (more: {context.command_path} -h)" if context else "")
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return f"a fault of this program, {type(error).__name__}: {error}"
