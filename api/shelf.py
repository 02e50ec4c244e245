"""The machines that the service answers for, and jobs opened on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from diagnose.errors import DiagnoseError, UnknownNameError
from diagnose.job import Job
from diagnose.machine.load import machine_names, machine_path, read_machine, read_text

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Machine

    from .shapes import FindingGiven, Question


@lru_cache(maxsize=32)
def _checked(text: str, file: str) -> Machine:
    return read_machine(text, file)


@dataclass(frozen=True, slots=True)
class Shelf:
    """The machines in one folder.

    Attributes:
        folder: folder with one folder per machine; None for the machines that come along.
    """

    folder: Path | None

    def names(self) -> tuple[str, ...]:
        """Ids of the machines, sorted."""
        return machine_names(self.folder)

    def known(self, name: str) -> None:
        """Let a machine's id pass, nothing else; a path must not reach the file system.

        Raises:
            UnknownNameError: there is no such machine.
        """
        names = self.names()
        if name not in names:
            raise UnknownNameError("machine", name, names, "machine")

    def machine(self, name: str) -> Machine:
        """A machine by its id; never by a path.

        Raises:
            UnknownNameError: there is no such machine.
            MachineFileError: its file has problems.
        """
        self.known(name)
        path = machine_path(name, folder=self.folder)
        return _checked(read_text(path), str(path))

    def job(self, question: Question) -> Job:
        """The job that a question describes, all its findings recorded.

        Raises:
            DiagnoseError: a name, unit or reading that the machine does not have; findings that
                clash.
        """
        self.known(question.machine)
        job = Job.open(
            question.machine,
            complaint=question.complaint,
            tools=tuple(question.tools),
            open_areas=tuple(question.open),
            folder=self.folder,
        )
        for index, finding in enumerate(question.findings):
            job = _record(job, finding, f"findings[{index}]")
        return job


def _record(job: Job, finding: FindingGiven, place: str) -> Job:
    try:
        if finding.reading is None:
            return job.record(finding.test, str(finding.outcome))
        if finding.unit is None:
            return job.record(finding.test, finding.reading)
        return job.record(finding.test, f"{finding.reading!r} {finding.unit}")
    except DiagnoseError as error:
        error.place = place  # type: ignore[attr-defined]
        raise
