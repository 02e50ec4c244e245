"""A job: one machine on the bench, from complaint to advice. Immutable; every step is a new one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.advice.advise import advise, suspects
from diagnose.advice.expect import Expectation, expectations
from diagnose.advice.ranking import fault_codes
from diagnose.advice.situation import Finding, Situation, encode
from diagnose.errors import (
    ClashError,
    RequestError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
)
from diagnose.machine.load import load_machine, machine_path
from diagnose.machine.model import Machine
from diagnose.network.readings import check_reading, outcome_of, parse_reading
from diagnose.network.ready import ReadyMachine, make_ready, ready_from_text
from diagnose.network.temperature import REFERENCE_CELSIUS, check_celsius, volts_to_add

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from diagnose.advice.advice import Advice, Suspect
    from diagnose.machine.model import Test
    from diagnose.network.ready import Progress


@dataclass(frozen=True, slots=True)
class Job:
    """What is known about one machine on the bench.

    Attributes:
        ready: the machine with its network.
        situation: complaint, findings, open areas, tools.
        skipped: tests set aside, with the reason.
        before: the job before the last step, for `undo`.
    """

    ready: ReadyMachine
    situation: Situation
    skipped: tuple[tuple[str, str], ...] = ()
    before: Job | None = None

    @classmethod
    def open(
        cls,
        machine: str | Path | Machine,
        complaint: str,
        *,
        tools: Iterable[str] = (),
        open_areas: Iterable[str] = (),
        temperature_celsius: float = REFERENCE_CELSIUS,
        folder: str | Path | None = None,
        progress: Progress | None = None,
    ) -> Job:
        """Begin a job.

        Args:
            machine: id of a shipped machine, path of a machine file, or a machine.
            complaint: id of one of its complaints.
            tools: tools at hand; none named means all of them.
            open_areas: areas that stand open already.
            temperature_celsius: of the battery; it shifts what a good one reads.
            folder: where machines are looked up by id.
            progress: called with a sentence before each long step of a first start.

        Raises:
            UnknownNameError: no such machine, complaint, tool or area.
            ValueOutOfRangeError: a temperature no barn has.
            MachineFileError: the file has problems.
            CircuitError, NetworkError, NetworkTooLargeError: it cannot be solved.
        """
        ready = prepare(machine, folder=folder, progress=progress)
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
        return self.ready.machine

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
        """Findings in the order recorded."""
        return self.situation.findings

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
            RequestError: the test is recorded already.
            ClashError: it is recorded already with another outcome.
        """
        if not 0.0 < sure <= 1.0:
            raise ValueOutOfRangeError(f"{test}.sure", sure, 0.0, 1.0, "")
        known = _known("test", test, self.machine.tests)
        found = read_result(self.machine, self.machine.tests[known], result, self.celsius)
        for one in self.findings:
            if one.test == test and one.outcome != found.outcome:
                raise ClashError([(test, one.outcome), (test, found.outcome)])
            if one.test == test:
                raise RequestError(f"{test} is recorded already; retract it first", "findings")
        situation = replace(self.situation, findings=(*self.findings, replace(found, sure=sure)))
        return replace(self, situation=situation, before=self)

    def record_again(self, test: str, result: str | float) -> Job:
        """Record a second look at a test: the same outcome confirms it, another replaces it.

        Raises:
            UnknownNameError: that test is not among the findings, or no such outcome.
            UnitError, ValueOutOfRangeError: as `record`.
        """
        _known("finding", test, [one.test for one in self.findings])
        found = read_result(self.machine, self.machine.tests[test], result, self.celsius)
        before = next(one for one in self.findings if one.test == test)
        if found.outcome == before.outcome:
            return self.confirm(test)
        return replace(self.retract(test).record(test, result), before=self)

    def confirm(self, test: str) -> Job:
        """Note that a finding was looked at again and stands; it is not doubted any more.

        Raises:
            UnknownNameError: that test is not among the findings.
        """
        _known("finding", test, [one.test for one in self.findings])
        found = tuple(
            replace(one, confirmed=True) if one.test == test else one for one in self.findings
        )
        return replace(self, situation=replace(self.situation, findings=found), before=self)

    def retract(self, test: str) -> Job:
        """Take a finding back, whichever it was.

        Raises:
            UnknownNameError: that test is not among the findings.
        """
        _known("finding", test, [one.test for one in self.findings])
        left = tuple(one for one in self.findings if one.test != test)
        return replace(self, situation=replace(self.situation, findings=left), before=self)

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

    def open_area(self, area: str) -> Job:
        """Note that an area, and what it lies in, stands open.

        Raises:
            UnknownNameError: no such area.
        """
        inside: str | None = _known("area", area, self.machine.areas)
        opened = set(self.situation.open_areas)
        while inside is not None:
            opened.add(inside)
            inside = self.machine.areas[inside].inside
        situation = replace(self.situation, open_areas=frozenset(opened))
        return replace(self, situation=situation, before=self)

    def close_area(self, area: str) -> Job:
        """Note that an area, and what lies in it, is closed again.

        Raises:
            UnknownNameError: no such area.
        """
        _known("area", area, self.machine.areas)
        left = frozenset(
            one for one in self.situation.open_areas if area not in _around(self.machine, one)
        )
        return replace(self, situation=replace(self.situation, open_areas=left), before=self)

    def advise(self) -> Advice:
        """What to do now.

        Raises:
            ClashError: the findings cannot all be true.
        """
        return advise(self.ready, self.situation, {test for test, _ in self.skipped})

    def expect(self, test: str) -> tuple[Expectation, ...]:
        """What a test would read with everything good, and with each leading suspect.

        Raises:
            UnknownNameError: no such test.
            ClashError: the findings cannot all be true.
        """
        _known("test", test, self.machine.tests)
        beliefs = self.ready.compiled.beliefs(encode(self.ready, self.situation))
        faults = beliefs.marginals[fault_codes(self.ready)]
        return expectations(self.ready, self.situation, test, faults)

    def consequence(self, test: str) -> Mapping[str, tuple[Suspect, ...]]:
        """The suspects after each outcome of a test that is possible at all.

        Raises:
            UnknownNameError: no such test.
        """
        known = self.machine.tests[_known("test", test, self.machine.tests)]
        found = {}
        left = tuple(one for one in self.findings if one.test != test)
        for outcome in known.outcomes:
            what_if = replace(self.situation, findings=(*left, Finding(test, outcome.id)))
            beliefs = self.ready.compiled.propagate_cases([encode(self.ready, what_if)])
            if beliefs.log_evidence[0] > float("-inf"):
                faults = beliefs.marginals[0][fault_codes(self.ready)]
                found[outcome.id] = suspects(self.ready, faults)
        return found


def prepare(
    machine: str | Path | Machine,
    *,
    folder: str | Path | None = None,
    progress: Progress | None = None,
) -> ReadyMachine:
    """A machine with its network; see `Job.open`."""
    if isinstance(machine, Machine):
        return make_ready(machine, progress)
    path = machine_path(machine, folder=folder)
    try:
        content = path.read_bytes()
    except OSError:
        content = b""  # the reader says what is wrong with it
    return ready_from_text(content, lambda: load_machine(machine, folder=folder), progress)


def read_result(
    machine: Machine, test: Test, result: str | float, celsius: float = REFERENCE_CELSIUS
) -> Finding:
    """A finding from an outcome, a number, or a text with a number and a unit.

    Raises:
        UnknownNameError: a text that is no outcome of a test without readings.
        UnitError: a number the test does not take.
        ValueOutOfRangeError: a number out of range.
    """
    outcomes = [outcome.id for outcome in test.outcomes]
    if isinstance(result, str):
        text = result.strip()
        if text in outcomes:
            return Finding(test.id, text)
        number = text[:1] in "+-.0123456789" and text != ""
        if number and test.unit is None:
            raise UnitError(test.id, text, ())
        if not number:
            raise UnknownNameError("outcome", text, outcomes, test.id)
        result = parse_reading(test, text)
    value = check_reading(test, float(result))
    shift = volts_to_add(machine, test, celsius)
    return Finding(test.id, outcome_of(test, value + shift), value)


def _known(kind: str, name: str, valid: Iterable[str]) -> str:
    names = list(valid)
    if name not in names:
        raise UnknownNameError(kind, name, names)
    return name


def _around(machine: Machine, area: str) -> set[str]:
    """An area and everything it lies in."""
    found = set()
    inside: str | None = area
    while inside is not None:
        found.add(inside)
        inside = machine.areas[inside].inside
    return found
