"""Getting things onto the terminal: JSON as it is, all else through Rich, errors as one line."""

from __future__ import annotations

import io
import json
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

WIDTH_WITHOUT_TERMINAL = 100
"""Columns used when the output goes into a file or another program."""


def print_json(content: Any) -> None:
    """Write a JSON document on standard output; NaN and infinity are refused."""
    sys.stdout.write(json.dumps(content, indent=2, allow_nan=False) + "\n")


def say(content: Any, text: str, *, as_json: bool) -> None:
    """Answer with a JSON document, or with a line of text."""
    if as_json:
        print_json(content)
    else:
        sys.stdout.write(f"{text}\n")


def print_error(message: str, prefix: str = "diagnose: ") -> None:
    """Write one line on standard error, whatever line ends and control codes the message has."""
    line = " ".join(message.split())
    sys.stderr.write(prefix + "".join(c if c.isprintable() else repr(c)[1:-1] for c in line) + "\n")


def print_progress(sentence: str) -> None:
    """Say on standard error what takes a while; such a line ends in three dots."""
    sys.stderr.write(f"{sentence} ...\n")
    sys.stderr.flush()


def open_console(*, on_stderr: bool = False) -> Console:
    """A console that prints text as it is: no markup, no emoji, no guessing of colours."""
    from rich.console import Console  # noqa: PLC0415  not paid for with --json

    stream = sys.stderr if on_stderr else sys.stdout
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="replace")  # a terminal without block characters shows `?`
    width = None if stream.isatty() else WIDTH_WITHOUT_TERMINAL
    return Console(file=stream, markup=False, emoji=False, highlight=False, width=width)
