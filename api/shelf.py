"""The machines that the service answers for, and jobs opened on them."""

from __future__ import annotations

import contextlib
import hashlib
import logging
from typing import TYPE_CHECKING

from diagnose.errors import DiagnoseError, UnknownNameError
from diagnose.job import Job, prepare
from diagnose.kept import Kept
from diagnose.machine.load import machine_names, machine_path, read_machine, read_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from diagnose.machine.model import Machine

    from .shapes import FindingGiven, Question

MOST_TEXT = 16_000_000
"""Characters of machine files whose machines are kept; the longest unused go first."""


class Shelf:
    """The machines in one folder; None for the machines that come along."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        # hash of a file's text -> its length and the machine: a list reads no file a second time
        self._kept = Kept[tuple[int, "Machine"]](MOST_TEXT, lambda held: held[0])

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
            raise UnknownNameError("machine", name, names)

    def machine(self, name: str) -> Machine:
        """A machine by its id; never by a path.

        Raises:
            UnknownNameError: there is no such machine.
            MachineFileError: its file has problems.
        """
        self.known(name)
        path = machine_path(name, folder=self.folder)
        text = read_text(path)
        key = hashlib.sha256(text.encode()).digest()
        return self._kept.get(key, lambda: (len(text), read_machine(text, str(path))))[1]

    def warm(self) -> None:
        """Make every machine ready, so that no request waits for it; unusable ones are logged."""
        for name in self.names():
            try:
                prepare(name, folder=self.folder)
            except DiagnoseError as error:
                logging.getLogger(__name__).warning("%s cannot be used: %s", name, error)

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
            temperature_celsius=question.temperature_celsius,
            folder=self.folder,
        )
        for number, done in enumerate(question.past):
            for index, finding in enumerate(done.findings):
                job = _record(job, finding, f"past[{number}].findings[{index}]")
            with placed(f"past[{number}]"):
                job = job.repair(done.part, done.repair, done.check)
        for index, finding in enumerate(question.findings):
            job = _record(job, finding, f"findings[{index}]")
        return job


@contextlib.contextmanager
def placed(place: str) -> Iterator[None]:
    """Let errors say which part of the request they are about."""
    try:
        yield
    except DiagnoseError as error:
        error.place = place  # type: ignore[attr-defined]
        raise


def _record(job: Job, finding: FindingGiven, place: str) -> Job:
    with placed(place):
        test = job.machine.tests.get(finding.test)
        if test is not None and finding.outcome is not None:
            known = [outcome.id for outcome in test.outcomes]
            if finding.outcome not in known:  # a job would take a text like `12.3V` as a reading
                raise UnknownNameError("outcome", finding.outcome, known, test.id)
        return job.record(finding.test, finding.result, sure=finding.sure)
