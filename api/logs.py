"""Logs as lines of JSON on standard error. What a customer or a key said is never in them."""

from __future__ import annotations

import sys
from typing import Any, TextIO

import structlog


def make_log(stream: TextIO | None = None) -> Any:
    """A log of one application; nothing is set for other users of the library.

    Args:
        stream: where it goes; default: standard error.
    """
    return structlog.wrap_logger(
        structlog.PrintLogger(stream or sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(),
        ],
    )


def place_of(error: BaseException) -> list[str]:
    """Where an error came from, `module:line`, innermost last; what it says may be a customer's."""
    found, trace = [], error.__traceback__
    while trace is not None:
        found.append(f"{trace.tb_frame.f_globals.get('__name__', '?')}:{trace.tb_lineno}")
        trace = trace.tb_next
    return found[-12:]


SERVER_LOG: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "json": {
            "()": "structlog.stdlib.ProcessorFormatter",
            "processors": [
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.stdlib.add_log_level,
                structlog.processors.TimeStamper(fmt="iso", utc=True),
                structlog.processors.JSONRenderer(),
            ],
        }
    },
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "json"}},
    "loggers": {"uvicorn": {"handlers": ["stderr"], "level": "INFO", "propagate": False}},
}
"""For the server's own messages: that it begins, that it stops, that a request is no HTTP."""
