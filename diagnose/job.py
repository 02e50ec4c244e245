"""A job: one machine on the bench, from complaint to advice. Immutable; every step is a new one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from diagnose.advice.advise import advise, suspects
from diagnose.advice.expect import Expectation, expectations
from diagnose.advice.explain import after_outcome
from diagnose.advice.record import read_result
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation, seen_to_do
from diagnose.errors import (
    ClashError,
    MachineFileError,
    RequestError,
    UnknownNameError,
    ValueOutOfRangeError,
)
from diagnose.faults.temperature import REFERENCE_CELSIUS, check_celsius
from diagnose.machine.load import load_machine, machine_path, read_content
from diagnose.machine.model import OTHER, RUNS, SAME, Machine
from diagnose.machine.overlay import Overlay
from diagnose.machine.overlay_file import read_overlay
from diagnose.rule.minutes import to_open
from diagnose.rule.prepared import Prepared, hash_of, prepared, prepared_from

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from diagnose.advice.advice import Advice, Suspect
    from diagnose.ahead.look_further import FurtherLook
    from diagnose.rule.prepared import Progress


@dataclass(frozen=True, slots=True)
class Job:
    """What is known about one machine on the bench.

    Attributes:
        prepared: the machine, ready for advice.
        situation: complaint, findings, open areas, tools.
        skipped: tests set aside, with the reason.
        before: the job before the last step, for `undo`.
    """

    prepared: Prepared
    situation: Situation
    skipped: tuple[tuple[str, str], ...] = ()
    before: Job | None = None

    @classmethod
    def open(  # noqa: PLR0913 - each says another thing about the job
        cls,
        machine: str | Path | Machine | Prepared,
        complaint: str,
        *,
        tools: Iterable[str] = (),
        open_areas: Iterable[str] = (),
        temperature_celsius: float = REFERENCE_CELSIUS,
        folder: str | Path | None = None,
        progress: Progress | None = None,
        priors: str | Path | Overlay | None = None,
    ) -> Job:
        """Begin a job.

        Args:
            machine: id of a shipped machine, path of a machine file, a machine, or one made ready.
            complaint: id of one of its complaints.
            tools: tools at hand; none named means all of them.
            open_areas: areas that stand open already.
            temperature_celsius: of the battery; it shifts what a good one reads.
            folder: where machines are looked up by id.
            progress: called with a sentence before each long step of a first start.
            priors: learnt from closed orders: an overlay, or the path of a priors file; default:
                as the machine's own file says.

        Raises:
            UnknownNameError: no such machine, complaint, tool or area.
            ValueOutOfRangeError: a temperature no barn has.
            MachineFileError: the file has problems; `PriorsFileError` is that of the priors.
            PriorsMismatchError: the priors were made for another machine, version or file.
            CircuitError, NetworkError: it cannot be solved.
        """
        ready = prepare(machine, folder=folder, progress=progress, priors=priors)
        known = ready.machine
        _known("complaint", complaint, known.complaints)
        for tool in tools:
            _known("tool", tool, known.tools)
        celsius = check_celsius(temperature_celsius)
        at_hand = frozenset(tools)
        job = cls(ready, Situation(complaint, tools=at_hand, temperature_celsius=celsius))
        for area in open_areas:
            job = job.open_area(area)
        return replace(job, before=None)

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.prepared.machine

    @property
    def complaint(self) -> str:
        """Id of the complaint."""
        return self.situation.complaint

    @property
    def celsius(self) -> float:
        """Temperature of the battery."""
        return self.situation.temperature_celsius

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings since the last repair, in the order recorded."""
        return self.situation.findings

    @property
    def repairs(self) -> tuple[RepairDone, ...]:
        """Repairs in the order done."""
        return tuple(epoch.repair for epoch in self.situation.past)

    def record(self, test: str, result: str | float, *, sure: float = 1.0) -> Job:
        """Record what a test gave.

        Args:
            test: id of a test not recorded yet.
            result: an outcome (`"good"`), a reading with its unit (`"12.4 V"`), or a number in
                the test's unit.
            sure: above 0 to 1; less than 1 for what was told or seen in passing.

        Raises:
            UnknownNameError: no such test or outcome.
            UnitError: a number where the test gives none, or in another unit.
            ValueOutOfRangeError: a number no meter would show there; `sure` out of range.
            RequestError: the test is recorded already since the last repair.
            ClashError: it is recorded so with another outcome.
        """
        if not 0.0 < sure <= 1.0:
            raise ValueOutOfRangeError(f"{test}.sure", sure, 0.0, 1.0, "")
        known = _known("test", test, self.machine.tests)
        found = read_result(self.machine, self.machine.tests[known], result, self.celsius)
        for earlier in self.findings:
            if earlier.test == test and earlier.outcome != found.outcome:
                raise ClashError([(test, earlier.outcome), (test, found.outcome)])
            if earlier.test == test:
                raise RequestError(f"{test} is recorded already; retract it first", "findings")
        return self._now(findings=(*self.findings, replace(found, sure=sure)))

    def record_again(self, test: str, result: str | float) -> Job:
        """Record one more look at a test.

        The same outcome confirms it. Another takes its place and is doubted itself, until a third
        look says which of the two stands.

        Raises:
            UnknownNameError: that test is not among the findings, or no such outcome.
            UnitError, ValueOutOfRangeError: as `record`.
        """
        _known("finding", test, [earlier.test for earlier in self.findings])
        again = read_result(self.machine, self.machine.tests[test], result, self.celsius)
        return self._now(
            findings=tuple(
                earlier.looked_again(again) if earlier.test == test else earlier
                for earlier in self.findings
            )
        )

    def confirm(self, test: str) -> Job:
        """Note that a finding was looked at again and stands; it is not doubted any more.

        Raises:
            UnknownNameError: that test is not among the findings.
        """
        _known("finding", test, [finding.test for finding in self.findings])
        others = next(finding.others for finding in self.findings if finding.test == test)
        return self.looked_at(test, others, confirmed=True)

    def looked_at(self, test: str, others: Iterable[str], *, confirmed: bool) -> Job:
        """Note what other looks at a finding gave.

        Args:
            test: id of a test among the findings.
            others: outcomes of those that gave something else.
            confirmed: whether one of them gave the same.

        Raises:
            UnknownNameError: that test is not among the findings, or no such outcome.
        """
        _known("finding", test, [finding.test for finding in self.findings])
        outcomes = [outcome.id for outcome in self.machine.tests[test].outcomes]
        gave = tuple(_known("outcome", other, outcomes) for other in others)
        return self._now(
            findings=tuple(
                replace(finding, confirmed=confirmed, others=gave)
                if finding.test == test
                else finding
                for finding in self.findings
            )
        )

    def retract(self, test: str) -> Job:
        """Take a finding back; where it was found before and after a repair, the later one.

        Raises:
            UnknownNameError: that test is not among the findings.
        """
        past = self.situation.past
        stretches = [*(epoch.findings for epoch in past), self.findings]
        _known("finding", test, [found.test for stretch in stretches for found in stretch])
        last = max(k for k, stretch in enumerate(stretches) if test in {f.test for f in stretch})
        left = tuple(found for found in stretches[last] if found.test != test)
        if last == len(past):
            return self._now(findings=left)
        return self._now(past=(*past[:last], replace(past[last], findings=left), *past[last + 1 :]))

    def undo(self) -> Job:
        """The job before the last step; the same one when there is none."""
        return self.before or self

    def skip(self, test: str, reason: str = "") -> Job:
        """Set a test aside; it is not proposed again.

        Raises:
            UnknownNameError: no such test.
        """
        _known("test", test, self.machine.tests)
        return replace(self, skipped=(*self.skipped, (test, reason)), before=self)

    def repair(self, part: str, repair: str, check: str | None = None) -> Job:
        """Record a repair, and what trying the machine after it showed.

        What was found before stays evidence of how the machine was then; from here on tests can
        be done again. The part's area counts as opened. When nobody has tried yet, see `check`.

        Args:
            part: id of the part.
            repair: id of one of its repairs.
            check: `runs` (it starts and runs, interlocks tried), `same` (as before), the id of the
                complaint that it shows now, or `other` (it does something else).

        Raises:
            UnknownNameError: no such part, none of its repairs, or no such check.
        """
        known = self.machine.parts[_known("part", part, self.machine.parts)]
        _known("repair", repair, [one.id for one in known.repairs])
        shown = None if check is None else _check_of(self.machine, self.situation, check)
        past = (*self.situation.past, Epoch(self.findings, RepairDone(part, repair, shown)))
        return self._now(past=past, findings=(), open_areas=self._opened(known.area))

    def check(self, shown: str) -> Job:
        """Record what trying the machine after the last repair showed, or showed after all.

        Args:
            shown: as `check` in `repair`.

        Raises:
            RequestError: nothing was repaired.
            UnknownNameError: it cannot show that.
        """
        if not self.situation.past:
            raise RequestError("nothing was repaired, so there is nothing to check", "repairs")
        *past, last = self.situation.past
        earlier = replace(self.situation, past=tuple(past), findings=last.findings)
        check = _check_of(self.machine, earlier, shown)
        return self._now(past=(*past, replace(last, repair=replace(last.repair, check=check))))

    def reported(self, complaint: str) -> Job:
        """The job with another complaint: what the customer says after all.

        Raises:
            UnknownNameError: no such complaint.
        """
        return self._now(complaint=_known("complaint", complaint, self.machine.complaints))

    def open_area(self, area: str) -> Job:
        """Note that an area, and what it lies in, stands open.

        Raises:
            UnknownNameError: no such area.
        """
        return self._now(open_areas=self._opened(_known("area", area, self.machine.areas)))

    def close_area(self, area: str) -> Job:
        """Note that an area, and what lies in it, is closed again.

        Raises:
            UnknownNameError: no such area.
        """
        _known("area", area, self.machine.areas)
        opened = self.situation.open_areas
        within = {inner for inner in opened if area in to_open(self.machine, inner, ())}
        return self._now(open_areas=opened - within)

    def at_hand(self, tools: Iterable[str]) -> Job:
        """Note which tools are at hand from now on; none named means all of them.

        Raises:
            UnknownNameError: no such tool.
        """
        named = frozenset(_known("tool", tool, self.machine.tools) for tool in tools)
        return self._now(tools=named)

    def noted(self) -> Job:
        """The job a step later, nothing new about the machine: handed over, closed, reopened."""
        return self._now()

    def _now(self, **changes: Any) -> Job:
        """The job a step later, with changes in its situation."""
        return replace(self, situation=replace(self.situation, **changes), before=self)

    def _opened(self, area: str | None) -> frozenset[str]:
        """What stands open once an area, and what it lies in, does."""
        return self.situation.open_areas.union(to_open(self.machine, area, ()))

    def advise(self) -> Advice:
        """What to do now.

        Raises:
            ClashError: the findings cannot all be true.
        """
        return advise(self.prepared, self.situation, {test for test, _ in self.skipped})

    def look_further(
        self, budget_seconds: float = 0.05, *, jobs: int | None = None, seed: int = 0
    ) -> FurtherLook:
        """Minutes left, the leading actions compared and the likeliest steps; see `FurtherLook`.

        For a job that is not done: it is taken that the complaint is still there.

        Args:
            budget_seconds: time to use.
            jobs: so many are played, whatever time that takes; None: as many as there is time for.
            seed: other jobs for another one.

        Raises:
            ClashError: the findings cannot all be true.
            ValueOutOfRangeError: a budget below a millisecond or above a minute, or a number of
                jobs that is too small or too large.
        """
        from diagnose.ahead.look_further import look_further_from  # noqa: PLC0415 - seldom asked

        skipped = {test for test, _ in self.skipped}
        return look_further_from(
            self.prepared, self.situation, skipped, budget_seconds, jobs=jobs, seed=seed
        )

    def expect(self, test: str) -> tuple[Expectation, ...]:
        """What a test would read with everything good, and with each leading suspect.

        Raises:
            UnknownNameError: no such test.
            ClashError: the findings cannot all be true.
        """
        _known("test", test, self.machine.tests)
        faults = self.prepared.belief(self.situation).survey.faults
        return expectations(self.prepared, self.situation, test, faults)

    def consequence(self, test: str) -> Mapping[str, tuple[Suspect, ...]]:
        """The suspects after each outcome of a test that is possible at all.

        Raises:
            UnknownNameError: no such test.
            ClashError: the other findings cannot all be true.
        """
        known = self.machine.tests[_known("test", test, self.machine.tests)]
        left = tuple(finding for finding in self.findings if finding.test != test)
        survey = self.prepared.belief(replace(self.situation, findings=left)).survey
        number, found = list(self.machine.tests).index(test), {}
        for place, outcome in enumerate(known.outcomes):
            chance, faults = after_outcome(survey, number, place)
            if chance > 0.0:
                found[outcome.id] = suspects(self.prepared, faults)
        return found


def prepare(
    machine: str | Path | Machine | Prepared,
    *,
    folder: str | Path | None = None,
    progress: Progress | None = None,
    priors: str | Path | Overlay | None = None,
) -> Prepared:
    """A machine ready for advice; see `Job.open`."""

    def lay_over(known: Machine) -> Machine:
        overlay = priors if isinstance(priors, Overlay) else read_overlay(str(priors), known)
        return overlay.applied(known)

    if isinstance(machine, Prepared):
        return machine if priors is None else prepared(lay_over(machine.machine), progress)
    if isinstance(machine, Machine):
        return prepared(machine if priors is None else lay_over(machine), progress)
    path = machine_path(machine, folder=folder)
    try:
        content = read_content(path)
    except MachineFileError:
        content = b""  # the reader says what is wrong with it
    return prepared_from(
        hash_of(content),
        lambda: load_machine(machine, folder=folder),
        progress,
        None if priors is None else lay_over,
    )


def _known(kind: str, name: str, valid: Iterable[str]) -> str:
    names = list(valid)
    if name not in names:
        raise UnknownNameError(kind, name, names)
    return name


def _check_of(machine: Machine, situation: Situation, check: str) -> str:
    """What a check showed: `same` is the complaint that the machine showed before."""
    known = _known("check", check, (RUNS, SAME, *machine.complaints, OTHER))
    return seen_to_do(machine, situation) if known == SAME else known
