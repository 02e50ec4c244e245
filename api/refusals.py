"""What the service itself refuses, one class per cause; `problems.py` makes answers of them."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from diagnose.errors import DiagnoseError, OtherPriorsError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.errors import Problem

MOST_PROBLEMS = 200
"""Problems of one file that are told."""


class BusyError(DiagnoseError):
    """No answer within the time there is; it may be asked again after `seconds`."""

    def __init__(self, message: str, seconds: int) -> None:
        self.seconds = seconds
        super().__init__(message)


class GoneError(DiagnoseError):
    """The client has gone, so nobody is answered."""


class NoKeyError(DiagnoseError):
    """A key is needed here and none that holds was shown."""


class ForbiddenError(DiagnoseError):
    """The role of the key is another one."""


class TooManyError(DiagnoseError):
    """More requests than one key may make in a minute."""


class NoConditionError(DiagnoseError):
    """A write that does not say which version of the job it goes on with."""


class NotAcceptableError(DiagnoseError):
    """None of the forms that the client takes is one that there is."""

    def __init__(self, forms: Sequence[str]) -> None:
        self.forms = tuple(forms)
        super().__init__(f"this comes as {', '.join(forms)}; `Accept` names none of them")


class ChangedError(DiagnoseError):
    """A job that has gone on since it was read.

    Attributes:
        version: the one it has.
        added: the steps since, as plain data; None where that version never was.
    """

    def __init__(self, message: str, version: int, added: Sequence[dict[str, Any]] | None) -> None:
        self.version = version
        self.added = added
        super().__init__(message)


class NoPriorsError(DiagnoseError):
    """No such priors are kept, or none hold."""


class OtherPriorsHoldError(DiagnoseError):
    """Other priors hold by now than were read.

    Attributes:
        version: number of the adoption that does; 0 for the file's own.
    """

    def __init__(self, message: str, version: int) -> None:
        self.version = version
        super().__init__(message)

    @classmethod
    @contextmanager
    def told(cls) -> Iterator[None]:
        """Tell it where the store does."""
        try:
            yield
        except OtherPriorsError as error:
            raise cls(str(error), error.met) from None


class PriorsUnusableError(DiagnoseError):
    """A priors file with problems.

    Attributes:
        problems: all of them, by place, as plain data.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = [
            {name: getattr(own, name) for name in ("line", "column", "message", "rule")}
            for own in problems[:MOST_PROBLEMS]
        ]
        super().__init__(f"the priors file has {len(problems)} problem(s)")


class PriorsUnfitError(DiagnoseError):
    """Priors that were made for another machine, version or file."""
