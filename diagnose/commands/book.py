"""The job book of the bench: what is taken in the talk is kept, as long as it can be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Self

from diagnose.errors import MachineFileError, StoreError
from diagnose.machine.overlay_file import laid_over
from diagnose.steps.kinds import Reopened
from diagnose.store.keeper import Keeper
from diagnose.store.records import LOCAL
from diagnose.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from diagnose.job import Job
    from diagnose.rule.prepared import Progress
    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.opening import Opening
    from diagnose.steps.status import KeptStep
    from diagnose.store.keeper import Going


class Book:
    """One kept job at the bench. Where it cannot be kept, that is said once and the talk goes on.

    Attributes:
        going: the job as it is kept; None where it is not.
    """

    def __init__(self, say: Callable[[str], None], by: str = "") -> None:
        """A book without a job; see `begin` and `again`.

        Args:
            say: shows a line to the technician.
            by: who works.
        """
        self.going: Going | None = None
        self._keeper: Keeper | None = None
        self._say = say
        self._by = by

    @classmethod
    def begin(
        cls, opening: Opening, steps: Sequence[AnyStep], say: Callable[[str], None], by: str = ""
    ) -> Self:
        """Keep a job that begins, with what is known of it already."""
        book = cls(say, by)
        try:
            book._keeper = Keeper(Store.open(), LOCAL, with_priors=laid_over)
            book.going = book._keeper.open_job(opening)
        except (StoreError, MachineFileError) as error:
            book._stop(error)
        if steps:
            book.take(steps, proposed="")
        return book

    @classmethod
    def again(
        cls,
        job_id: str,
        say: Callable[[str], None],
        by: str = "",
        progress: Progress | None = None,
    ) -> Self:
        """A job that was kept; one that was closed or handed over is opened again.

        Raises:
            NotKeptError: there is none.
            StoreError: the store cannot be read.
        """
        book = cls(say, by)
        book._keeper = Keeper(Store.open(), LOCAL, with_priors=laid_over, progress=progress)
        book.going = book._keeper.job(job_id)
        if book.going.kept.status in {"closed", "handed_over"}:
            book.take((Reopened(),), proposed=None)
            say(f"Job {job_id} is open again.")
        return book

    @property
    def job_id(self) -> str | None:
        """Id of the job; None where it is not kept."""
        return None if self.going is None else self.going.kept.job_id

    @property
    def steps(self) -> tuple[KeptStep, ...]:
        """The steps that are kept."""
        return () if self.going is None else self.going.steps

    @property
    def history(self) -> tuple[AnyStep, ...]:
        """The same without what is noted about them."""
        return tuple(kept.step for kept in self.steps)

    def take(self, steps: Sequence[AnyStep], proposed: str | None) -> None:
        """Keep what was taken.

        Args:
            steps: in order.
            proposed: what the tool proposed before them.

        Raises:
            VersionConflictError: somebody else has gone on with the job; see `read_again`.
        """
        if self.going is None or self._keeper is None or not steps:
            return
        known = self.going.kept
        signed = [_signed(step, self._by) for step in steps]
        try:
            self.going = self._keeper.record(known.job_id, known.version, signed, proposed=proposed)
        except StoreError as error:
            self._stop(error)

    def move(self, machine: str | None = None) -> bool:
        """Go on with the machine file as it is now; whether it is another one.

        Args:
            machine: id or path of it; None for the id that the job was opened with.
        """
        if self.going is None or self._keeper is None:
            return False
        moved = self._keeper.newest(self.going.kept.job_id, machine)
        if moved is not None:
            self.take((moved,), proposed=None)
        return moved is not None

    def read_again(self) -> Job | None:
        """The job as somebody else has left it; None where it cannot be read."""
        if self.going is None or self._keeper is None:
            return None
        try:
            self.going = self._keeper.job(self.going.kept.job_id)
        except StoreError as error:
            self._stop(error)
            return None
        return self.going.job

    def _stop(self, error: Exception) -> None:
        self.going = None
        reason = " ".join(str(error).split())
        self._say(f"From here on nothing is kept: {reason}")


def _signed(step: AnyStep, by: str) -> AnyStep:
    return step if step.by or not by else replace(step, by=by)
