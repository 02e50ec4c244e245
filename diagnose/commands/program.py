"""All commands under one name, and what becomes of their errors."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import typer

from diagnose import errors
from diagnose.commands import key_list, prior_list, store_care
from diagnose.commands.advise import advise
from diagnose.commands.bench import bench
from diagnose.commands.card import card
from diagnose.commands.demo import demo
from diagnose.commands.jobs import jobs
from diagnose.commands.machine_files import check, draw, machines, network, schema
from diagnose.commands.new_file import new
from diagnose.commands.output import print_error
from diagnose.commands.problems import print_problems
from diagnose.commands.refit import refit
from diagnose.commands.review import review
from diagnose.commands.serve import serve
from diagnose.commands.trial import trial
from diagnose.errors import DiagnoseError, MachineFileError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

DONE, OTHER, INTERRUPTED = 0, 1, 130

EXITS: Mapping[int, tuple[str, tuple[type[DiagnoseError], ...]]] = MappingProxyType(
    {
        DONE: ("done", ()),
        OTHER: ("anything else, such as a file that cannot be written", ()),
        2: ("a command or option that cannot be read", ()),
        3: (
            "a machine, complaint, test, outcome, tool, area, job or key that does not exist",
            (errors.UnknownNameError, errors.NotKeptError),
        ),
        4: (
            "a reading in the wrong unit or out of range",
            (errors.ValueOutOfRangeError, errors.UnitError),
        ),
        5: ("findings that cannot all be true", (errors.ClashError,)),
        6: (
            "a machine or priors file with problems, a table that cannot be read",
            (MachineFileError, errors.PriorsMismatchError, errors.TableError),
        ),
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
    *(demo, machines, advise, bench, jobs, card, check),
    *(new, schema, review, network, draw, trial, refit, serve),
)

GROUPS: Mapping[str, tuple[str, Mapping[str, Callable[..., None]]]] = MappingProxyType(
    {
        "priors": (
            "Take priors learnt from closed orders, and go back.",
            {
                "adopt": prior_list.adopt,
                "list": prior_list.list_,
                "roll-back": prior_list.roll_back,
            },
        ),
        "store": (
            "Look after the jobs that are kept.",
            {
                "upgrade": store_care.upgrade,
                "backup": store_care.backup,
                "check": store_care.check,
                "export": store_care.export,
            },
        ),
        "keys": (
            "Who may ask over HTTP.",
            {"add": key_list.add, "list": key_list.list_, "revoke": key_list.revoke},
        ),
    }
)
"""First word of a command -> what it is about, and the commands by their second word."""


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
    for name, (about, commands) in GROUPS.items():
        group = typer.Typer(help=about, rich_markup_mode=None, no_args_is_help=True)
        for word, command in commands.items():
            group.command(word)(command)
        app.add_typer(group, name=name)
    return app


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and give its exit code; no exception comes out.

    Without `arguments` it is that of this process. No words at all ask for help.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    _open_what_is_closed()
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
    elif not isinstance(error, typer.Abort | BrokenPipeError):
        print_error(_sentence(error))
    if isinstance(error, OSError):
        _give_up_output()
    return exit_code(error)


def _open_what_is_closed() -> None:
    """A stream that was closed before the start counts as one that leads nowhere."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115


def _give_up_output() -> None:
    """Let what is still to be written go nowhere, where standard output takes no more of it.

    The reader may have gone, as `head` does, or the disk may be full; Python would try again at its
    end, and complain.
    """
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _sentence(error: Exception) -> str:
    if isinstance(error, DiagnoseError):
        return str(error)
    if isinstance(error, typer.TyperException):
        context = getattr(error, "ctx", None)
        return error.format_message() + (f" (more: {context.command_path} -h)" if context else "")
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return f"a fault of this program, {type(error).__name__}: {error}"
