"""Work that stops when nobody waits for it any more.

Who begins a long piece of work says when it is to stop; the loops that take long ask `go_on`
between two rounds. What is shared between requests is only ever changed within a round.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

from diagnose.errors import StoppedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_over: ContextVar[Callable[[], bool] | None] = ContextVar("over", default=None)


def go_on() -> None:
    """Return, unless whoever waits for the work has given it up.

    Raises:
        StoppedError: he has.
    """
    over = _over.get()
    if over is not None and over():
        raise StoppedError("the work was stopped: nobody waits for it any more")


@contextmanager
def stopped_when(over: Callable[[], bool]) -> Iterator[None]:
    """Let the work within stop once `over` says so; it is asked often, from the same thread."""
    before = _over.set(over)
    try:
        yield
    finally:
        _over.reset(before)
