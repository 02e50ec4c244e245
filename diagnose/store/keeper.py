"""Kept jobs and the engine together: every step goes through `Job` before it is kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.errors import (
    FullError,
    MachineFileError,
    NotKeptError,
    NotReadyError,
    RequestError,
    VersionConflictError,
)
from diagnose.job import prepare
from diagnose.machine.archive import machine_from_json, machine_to_json
from diagnose.machine.load import machine_path, read_machine, read_text
from diagnose.rule.prepared import prepared, prepared_from
from diagnose.steps.advised import advised, tool_version
from diagnose.steps.apply import Settled, begin, replay, settled
from diagnose.steps.kinds import Moved, Undone
from diagnose.steps.status import Noted, check_order, standing
from diagnose.store.jobs import MOST_STEPS
from diagnose.store.records import Basis, MachineFile, text_hash

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from diagnose.job import Job
    from diagnose.kept import Kept
    from diagnose.machine.model import Machine
    from diagnose.rule.prepared import Prepared, Progress
    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.opening import Opening
    from diagnose.steps.status import KeptStep
    from diagnose.store.records import JobLog, KeptJob, RequestKey
    from diagnose.store.store import Store

    WithPriors = Callable[[Machine, str], Machine]
    """Makes the machine with priors of it, given as text."""


@dataclass(frozen=True, slots=True)
class Going:
    """A kept job and the `Job` that its steps come to.

    Attributes:
        kept: as the store has it.
        opening: how it began.
        steps: all its steps.
        opened_with: machine file and priors that it was opened with.
        job: ready for advice.
    """

    kept: KeptJob
    opening: Opening
    steps: tuple[KeptStep, ...]
    opened_with: Basis
    job: Job


@dataclass(frozen=True, slots=True)
class Keeper:
    """Opens jobs, reads them and goes on with them.

    Attributes:
        store: where they are kept.
        shop: whose they are.
        folder: where machines are looked up by id; None for those that come along.
        with_priors: makes a machine with a shop's own priors; None where there are none.
        progress: called with a sentence before each long step of a first start.
        known: what was made ready before, by content; None where nobody asks.
        only_known: whether anything else is refused with `NotReadyError`.
    """

    store: Store
    shop: str
    folder: str | Path | None = None
    with_priors: WithPriors | None = None
    progress: Progress | None = None
    known: Kept[bool] | None = None
    only_known: bool = False

    def open_job(self, opening: Opening, *, key: RequestKey | None = None) -> Going:
        """Begin a job with the machine's file as it is now, and the priors that hold now.

        Raises:
            DiagnoseError: as `Job.open` and `Store.open_job`.
        """
        plain = prepare(opening.machine, folder=self.folder, progress=self.progress)
        file = self._file_now(opening.machine, plain.machine)
        held = self.store.current_priors(self.shop, file.machine) if self.with_priors else None
        priors = None if held is None else held[1]
        ready = self._ready(file, priors)
        begin(ready, opening)  # refuses what the machine does not have
        kept = self.store.open_job(
            self.shop, opening, file, priors_hash=held and held[0].hash, key=key
        )
        return self.job(kept.job_id)

    def job(self, job_id: str, at: int | None = None) -> Going:
        """A kept job, replayed.

        Args:
            job_id: id of the job.
            at: the version at which it is wanted, with the machine file and the priors of then;
                None for now.

        Raises:
            NotKeptError: there is none of this shop.
            ValueOutOfRangeError: it has no such version.
            NotReadyError: see `only_known`.
            DiagnoseError: its steps cannot be replayed.
        """
        return self.replayed(self.store.log(self.shop, job_id, at))

    def replayed(self, log: JobLog) -> Going:
        """The same from its log."""
        job = replay(self._of(log.job), log.opening, _steps(log.steps))
        return Going(log.job, log.opening, log.steps, log.opened_with, job)

    def record(
        self,
        job_id: str,
        expected_version: int,
        steps: Sequence[AnyStep],
        *,
        key: RequestKey | None = None,
        proposed: str | None = None,
    ) -> Going:
        """Go on with a job: all of the steps are taken and kept, or none.

        What the tool proposed before the first of them is kept with each, since nobody saw another
        proposal in between.

        Args:
            job_id: id of the job.
            expected_version: the version that whoever asks has read.
            steps: in order.
            key: under a key that was used before nothing is kept again.
            proposed: what was proposed, where that is known, empty for nothing; None to work it
                out.

        Raises:
            VersionConflictError: it has gone on since.
            DiagnoseError: as `Store.append_steps` and the methods of `Job`, the latter with the
                place: `steps[0].test`.
        """
        if key is not None and self.store.appended_before(self.shop, key) is not None:
            return self.job(job_id)
        before = self.job(job_id)
        if before.kept.version != expected_version:
            raise VersionConflictError(job_id, expected_version, before.kept.version)
        if expected_version + len(steps) > MOST_STEPS:
            raise FullError("steps of a job", MOST_STEPS)
        check_order(before.steps, steps)
        told = advised(before.job) if proposed is None else proposed
        taken = self._taken(before, steps)
        about = {"advised": told or None, "tool_version": tool_version()}
        done = self.store.append_steps(
            self.shop,
            job_id,
            expected_version,
            [each.step for each in taken],
            noted=[replace(each.noted, **about) for each in taken],
            key=key,
        )
        job = taken[-1].job if taken else before.job
        return replace(before, kept=done.job, steps=(*before.steps, *done.steps), job=job)

    def newest(self, job_id: str, machine: str | None = None) -> Moved | None:
        """The step that moves a job to the file and the priors of now; None where it has them.

        Args:
            job_id: id of the job.
            machine: id or path of the machine; None for the id that the job was opened with.

        Raises:
            UnknownNameError: its machine is not there any more.
            RequestError: that is another machine.
        """
        going = self.job(job_id)
        name = going.kept.machine if machine is None else machine
        plain = prepare(name, folder=self.folder, progress=self.progress)
        file = self._file_now(name, plain.machine)
        if file.machine != going.kept.machine:
            met = f"the job is of machine {going.kept.machine!r}, not {file.machine!r}"
            raise RequestError(met, "machine")
        held = self.store.current_priors(self.shop, file.machine) if self.with_priors else None
        basis = Basis(file.hash, file.version, file.archive_hash, held and held[0].hash)
        if basis == basis_of(going.kept):
            return None
        self.store.keep_machine_file(file)
        return Moved(
            machine_hash=basis.machine_hash,
            machine_version=basis.machine_version,
            archive_hash=basis.archive_hash,
            priors_hash=basis.priors_hash,
        )

    def _taken(self, before: Going, steps: Sequence[AnyStep]) -> list[Settled]:
        """The steps as they are kept; where one changes the machine, all is read anew."""
        taken = [Settled(step, Noted(), before.job) for step in _steps(before.steps)]
        basis, job, first = basis_of(before.kept), before.job, len(taken)
        for number, step in enumerate(steps):
            stands = [*(each.step for each in taken), step]
            now = basis_in_force(before.opened_with, stands)
            if now == basis:
                taken.append(settled(job, step, f"steps[{number}]"))
            else:
                moved = replay(self._of(now), before.opening, stands)
                taken.append(Settled(step, Noted(), moved))
            basis, job = now, taken[-1].job
        return taken[first:]

    def _of(self, basis: Basis | KeptJob) -> Prepared:
        """The machine of a job, ready for advice."""
        known = basis if isinstance(basis, Basis) else basis_of(basis)
        file, priors = self.store.basis(known)
        return self._ready(file, priors)

    def _ready(self, file: MachineFile, priors: str | None) -> Prepared:
        key = (file.hash, file.archive_hash, None if priors is None else text_hash(priors))
        if self.known is None:
            return self._made_ready(file, priors)
        if self.only_known and not self.known.holds(key):
            raise NotReadyError(f"{file.machine} has to be made ready first")
        made = self._made_ready(file, priors)
        self.known.get(key, lambda: True)
        return made

    def _made_ready(self, file: MachineFile, priors: str | None) -> Prepared:
        if priors is None:
            return ready(file, self.progress)
        if self.with_priors is None:
            raise NotKeptError("way to read the priors of", file.machine)
        machine = self.with_priors(machine_of(file), priors)
        if machine.priors_version:  # what was solved of the file itself holds for any priors
            plain = ready(file, self.progress).machine
            return prepared(replace(machine, content_hash=plain.content_hash), self.progress)
        known = text_hash(file.archive_hash + text_hash(priors))
        return prepared(replace(machine, content_hash=known), self.progress)

    def _file_now(self, name: str, machine: Machine) -> MachineFile:
        """The file of a machine that was just read."""
        text = read_text(machine_path(name, folder=self.folder))
        if text_hash(text) != machine.content_hash:
            machine = read_machine(text)  # it was changed in this moment
        return MachineFile(machine.id, machine.version, text, machine_to_json(machine))


def machine_of(file: MachineFile) -> Machine:
    """The machine of a kept file, as it was read then.

    Raises:
        MachineFileError: neither the archive nor the text can be read by this program.
    """
    try:
        return machine_from_json(file.archive)
    except MachineFileError:  # archives of an older program
        return read_machine(file.text)


def ready(file: MachineFile, progress: Progress | None = None) -> Prepared:
    """A kept machine ready for advice; the one in memory where it is the same."""
    usual = prepared_from(file.hash, lambda: machine_of(file), progress)
    if usual.archive_hash == file.archive_hash:
        return usual
    machine = replace(machine_of(file), content_hash=file.archive_hash)
    return prepared(machine, progress)


def basis_of(kept: KeptJob) -> Basis:
    """What a job goes on with."""
    return Basis(kept.machine_hash, kept.machine_version, kept.archive_hash, kept.priors_hash)


def basis_in_force(opened_with: Basis, steps: Sequence[AnyStep]) -> Basis:
    """The same, from what a job was opened with and its steps."""
    if not any(isinstance(step, Moved | Undone) for step in steps):
        return opened_with
    basis = opened_with
    for step in standing(steps):
        if isinstance(step, Moved):
            basis = Basis(
                step.machine_hash, step.machine_version, step.archive_hash, step.priors_hash
            )
    return basis


def _steps(kept: Sequence[KeptStep]) -> list[AnyStep]:
    return [each.step for each in kept]
