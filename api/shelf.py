"""The machines that the service answers for, and jobs opened on them."""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from diagnose import cache
from diagnose.errors import DiagnoseError, RequestError, StoppedError, UnknownNameError
from diagnose.job import Job
from diagnose.kept import Kept
from diagnose.machine.archive import machine_from_json, machine_to_json
from diagnose.machine.load import FILE_NAME, machine_names, read_content, read_machine, read_text
from diagnose.rule.prepared import Prepared, hash_of, prepared_from
from diagnose.stop import stopped_when

if TYPE_CHECKING:
    import threading
    from collections.abc import Iterator, Sequence

    from diagnose.machine.model import Machine

    from .question import FindingGiven, Question

MOST_TEXT = 16_000_000
"""Characters of machine files whose machines are kept; the longest unused go first."""

OUTLINE = "outline"
"""Kind of the bundles that hold a machine as JSON, so that a list reads no YAML."""

_SAFE_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class File:
    """A machine file as it is now."""

    path: Path
    content_hash: str


@dataclass(slots=True)
class Warmth:
    """How far the machines are made ready."""

    over: bool = False
    ready: set[str] = field(default_factory=set)
    unusable: set[str] = field(default_factory=set)


class Shelf:
    """The machines in one folder; None for the machines that come along."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.warmth = Warmth()
        self._top = folder or Path(str(resources.files("diagnose.models")))
        # hash of a file's text -> its length and the machine: a list reads no file a second time
        self._kept = Kept[tuple[int, "Machine"]](MOST_TEXT, lambda held: held[0])
        self._ready: set[str] = set()
        self._hashes: dict[tuple[str, int, int, int], str] = {}

    def names(self) -> tuple[str, ...]:
        """Ids of the machines, sorted."""
        return machine_names(self.folder)

    def file(self, name: str) -> File:
        """The file of a machine; anything but a plain id must not reach the file system.

        Raises:
            UnknownNameError: there is no such machine.
            MachineFileError: it cannot be read.
        """
        path = self._top / name / FILE_NAME if _SAFE_NAME.fullmatch(name) else None
        try:
            status = path.stat() if path is not None else None
        except OSError:
            status = None
        if path is None or status is None:
            raise UnknownNameError("machine", name, self.names())
        key = (name, status.st_mtime_ns, status.st_size, status.st_ino)
        if key not in self._hashes:
            known = hash_of(read_content(path))
            others = {k: v for k, v in self._hashes.items() if k[0] != name}
            self._hashes = others | {key: known}
        return File(path, self._hashes[key])

    def machine(self, name: str) -> Machine:
        """A machine by its id; never by a path.

        Raises:
            UnknownNameError: there is no such machine.
            MachineFileError: its file has problems.
        """
        file = self.file(name)
        return self._kept.get(file.content_hash, lambda: _outline(file))[1]

    def prepared(self, name: str) -> Prepared:
        """A machine ready for advice.

        Raises:
            UnknownNameError: there is no such machine.
            DiagnoseError: it cannot be used.
        """
        file = self.file(name)
        found = prepared_from(file.content_hash, lambda: _outline(file)[1])
        self.warmth.ready.add(name)
        self._ready.add(file.content_hash)
        return found

    def is_ready(self, name: str) -> bool:
        """Whether a machine, as its file is now, has been made ready since the start."""
        try:
            return self.file(name).content_hash in self._ready
        except DiagnoseError:
            return False

    def warm(self, stop: threading.Event) -> None:
        """Make every machine ready, so that no request waits for it, until told to stop."""
        with stopped_when(stop.is_set), contextlib.suppress(StoppedError):
            for step in (self.machine, self.prepared):
                for name in self.names():
                    if stop.is_set():
                        return
                    try:
                        step(name)
                    except StoppedError:
                        return
                    except DiagnoseError:
                        self.warmth.unusable.add(name)
            self._advise_once()
            self.warmth.over = True

    def _advise_once(self) -> None:
        """What runs on the first advice of a process is loaded now, not while somebody waits."""
        for name in sorted(self.warmth.ready - self.warmth.unusable):
            with contextlib.suppress(DiagnoseError):
                ready = self.prepared(name)
                Job.open(ready, next(iter(ready.machine.complaints))).advise()
                return

    def job(self, question: Question) -> Job:
        """The job that a question describes, all its findings recorded.

        Raises:
            DiagnoseError: a name, unit or reading that the machine does not have; findings that
                clash.
        """
        job = Job.open(
            self.prepared(question.machine),
            complaint=question.complaint,
            tools=tuple(question.tools),
            open_areas=tuple(question.open),
            temperature_celsius=question.temperature_celsius,
        )
        for number, done in enumerate(question.past):
            job = _recorded(job, done.findings, f"past[{number}].findings")
            with placed(f"past[{number}]"):
                job = job.repair(done.part, done.repair, done.check)
        job = _recorded(job, question.findings, "findings")
        for index, test in enumerate(question.set_aside):
            with placed(f"set_aside[{index}]"):
                job = job.skip(test)
        return job


def _outline(file: File) -> tuple[int, Machine]:
    """The machine of a file, from the cache on disk, else read; and the length of its text."""
    key = cache.content_hash(file.content_hash.encode(), cache.source_hash(("machine",)))
    stored = cache.load(OUTLINE, key)
    with contextlib.suppress(DiagnoseError, KeyError, ValueError):
        if stored is not None:
            return len(stored["text"]), machine_from_json(bytes(stored["text"]).decode())
    text = read_text(file.path)
    machine = read_machine(text, str(file.path))
    plain = machine_to_json(machine).encode()
    cache.store(OUTLINE, key, {"text": np.frombuffer(plain, np.uint8)})
    return len(text), machine


@contextlib.contextmanager
def placed(place: str) -> Iterator[None]:
    """Let errors say which part of the request they are about."""
    try:
        yield
    except DiagnoseError as error:
        error.place = place  # type: ignore[attr-defined]
        raise


def _recorded(job: Job, findings: Sequence[FindingGiven], place: str) -> Job:
    """A job with some findings more."""
    given: dict[str, int] = {}
    for index, finding in enumerate(findings):
        if finding.test in given:
            first = f"{place}[{given[finding.test]}]"
            raise RequestError(
                f"{finding.test} stands in {first} already; give what it showed last",
                f"{place}[{index}]",
            )
        given[finding.test] = index
        job = _record(job, finding, f"{place}[{index}]")
    return job


def _record(job: Job, finding: FindingGiven, place: str) -> Job:
    with placed(place):
        test = job.machine.tests.get(finding.test)
        if test is not None and finding.outcome is not None:
            known = [outcome.id for outcome in test.outcomes]
            if finding.outcome not in known:  # a job would take a text like `12.3V` as a reading
                raise UnknownNameError("outcome", finding.outcome, known, test.id)
        job = job.record(finding.test, finding.result, sure=finding.sure)
        if finding.confirmed or finding.others:
            job = job.looked_at(finding.test, finding.others, confirmed=finding.confirmed)
        return job
