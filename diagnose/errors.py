"""Every error this project raises on purpose.

One class per cause, each with the fields that name the place, what was met, what was expected
and the nearest valid name::

    DiagnoseError
    |-- UnknownNameError         a machine, test, outcome, node, state ... that does not exist
    |-- ValueOutOfRangeError     a number outside the range its place allows
    |-- UnitError                a reading in a unit its test does not measure
    |-- ClashError               findings that cannot all be true (log P(e) = -inf)
    |-- MachineFileError         a machine file with problems, all of them at once
    |   `-- PriorsFileError      the same of a priors file
    |-- PriorsMismatchError      priors that were made for another machine, version or file
    |-- TableError               a table of orders or steps that cannot be read as one
    |-- CircuitError             wiring the solver cannot treat: a loop, a floating source
    |-- NetworkError             a network or table that is not a valid Bayesian network
    |-- NetworkTooLargeError     an exact answer would not fit in memory; the sizes are named
    |-- RequestError             a request that cannot be read at all: broken JSON, too long
    |-- SettingError             a setting of the service that cannot be
    |-- StoppedError             work that was given up since nobody waits for it
    |-- NotReadyError            a machine that is not ready, where nobody wants to wait for it
    |-- NotKeptError             a job, order, key or file that is not kept, or not for this shop
    |-- WrongStateError          a step that a job in its state does not take
    |-- VersionConflictError     a job that has gone on since it was read
    |-- IdempotencyError         a key used for another request, or one still being worked on
    |-- FullError                more than is kept: steps of a job, keys, files
    `-- StoreError               the store cannot be reached or written
        `-- StoreVersionError    the store's tables are of another version

Nothing else escapes from the public functions on bad input.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence


class DiagnoseError(Exception):
    """Base of all errors of this project; `str(error)` is one clear sentence or list."""


def nearest_name(met: str, valid: Iterable[str]) -> str | None:
    """The valid name that looks most like `met`, or None when nothing is close."""
    found = difflib.get_close_matches(met, list(valid), n=1, cutoff=0.5)
    return found[0] if found else None


def unknown_words(kind: str, met: object, valid: Collection[str], place: str = "") -> str:
    """What is said of a name that is not in its list: the nearest that is, or what is expected."""
    nearest, hint = nearest_name(str(met), valid), ""
    if nearest:
        hint = f"; nearest is {nearest!r}"
    elif valid:
        hint = (
            f"; expected one of {', '.join(list(valid)[:12])}{', ...' if len(valid) > 12 else ''}"
        )
    return f"unknown {kind} {met!r}{f' in {place}' if place else ''}{hint}"


class UnknownNameError(DiagnoseError):
    """A name that is not in the list it must come from.

    Attributes:
        kind: what was looked for, e.g. `"test"`.
        met, valid, nearest: the name as given, all that are accepted, the closest of them or None.
        place: where the name was given, e.g. `"complaint"`; empty when there is no better word.
    """

    def __init__(self, kind: str, met: str, valid: Iterable[str], place: str = "") -> None:
        self.kind = kind
        self.met = met
        self.valid = tuple(valid)
        self.place = place
        self.nearest = nearest_name(met, self.valid)
        super().__init__(unknown_words(kind, met, self.valid, place))


class ValueOutOfRangeError(DiagnoseError):
    """A number outside the range that its place allows.

    Attributes:
        place: what the number stands for, e.g. `"battery_rest"`.
        met, low, high, unit: the number, the range accepted, the unit of all three.
    """

    def __init__(self, place: str, met: float, low: float, high: float, unit: str) -> None:
        self.place = place
        self.met = met
        self.low = low
        self.high = high
        self.unit = unit
        super().__init__(
            f"{place}: {met:g} {unit} is out of range; expected {low:g} to {high:g} {unit}"
        )


class UnitError(DiagnoseError):
    """A reading whose unit is not the one its test measures in.

    Attributes:
        place: the test's id.
        met: the unit as given, or the whole text when no number could be read.
        expected: the units accepted.
    """

    def __init__(self, place: str, met: str, expected: Sequence[str]) -> None:
        self.place = place
        self.met = met
        self.expected = tuple(expected)
        accepted = " or ".join(self.expected) if self.expected else "an outcome, not a number"
        super().__init__(f"{place}: cannot read {met!r}; expected {accepted}")


class ClashError(DiagnoseError):
    """Findings that cannot all be true together: their joint probability is zero.

    Attributes:
        findings: a smallest set of `(node, state)` that clashes: without any one of them the
            rest is possible.
    """

    def __init__(self, findings: Iterable[tuple[str, str]]) -> None:
        self.findings = tuple(findings)
        shown = ", ".join(f"{node}={state}" for node, state in self.findings)
        super().__init__(f"these findings cannot all be true: {shown}")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a machine file.

    Attributes:
        line: 1-based line, 0 when the whole file is meant.
        column: 1-based column, 0 when the whole line or file is meant.
        message: what was met, what was expected, the nearest valid name.
        rule: short id of the rule broken, as `diagnose check` explains it.
        nearest: the valid name that looks most like the one met, None where that says nothing.
    """

    line: int
    column: int
    message: str
    rule: str
    nearest: str | None = None


MOST_SHOWN = 50
"""Problems of one machine file that are told one by one; of the others only how many there are."""


class MachineFileError(DiagnoseError):
    """A machine file, as the caller named it, and all its problems, sorted by place.

    `str(error)` has the first `MOST_SHOWN` of them, a line each, and how many more there are.
    """

    def __init__(self, file: str, problems: Iterable[Problem]) -> None:
        self.file = file
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.column, p.message)))
        first, more = self.problems[:MOST_SHOWN], len(self.problems) - MOST_SHOWN
        lines = [f"{file}:{p.line}:{p.column}: {p.message} [{p.rule}]" for p in first]
        super().__init__("\n".join([*lines, *([f"... and {more} more"] if more > 0 else [])]))


class PriorsFileError(MachineFileError):
    """A priors file and all its problems, told as those of a machine file."""


class PriorsMismatchError(DiagnoseError):
    """Priors that were made for another machine, another version of it, or another file.

    Attributes:
        made_for, machine: (id, version, hash of the file) that they are for, and of the machine.
        laid_over: version of the priors that the machine has already; empty for none.
    """

    def __init__(
        self, made_for: tuple[str, str, str], machine: tuple[str, str, str], laid_over: str = ""
    ) -> None:
        self.made_for = made_for
        self.machine = machine
        self.laid_over = laid_over
        named = [f"{name} version {version} (file {hash_[:12]})" for name, version, hash_ in
                 (made_for, machine)]  # fmt: skip
        if made_for != machine:
            remedy = "go back to that version of the file, or run `diagnose refit` on this one"
            if made_for[0] != machine[0]:
                remedy = f"name the priors of {machine[0]}"
            said = f"these priors were made for {named[0]}; this is {named[1]}: {remedy}"
        else:
            said = (
                f"{named[1]} has priors {laid_over} laid over it already; give the machine as its "
                "file says"
            )
        super().__init__(said)


class TableError(DiagnoseError):
    """A table of orders or steps that cannot be read as one: no such file, no such column.

    Attributes:
        file: as the caller named it.
        column: the column concerned, empty where the whole table is meant.
    """

    def __init__(self, file: str, message: str, column: str = "") -> None:
        self.file = file
        self.column = column
        super().__init__(f"{file}: {column}: {message}" if column else f"{file}: {message}")


class CircuitError(DiagnoseError):
    """Wiring that cannot be solved as a start circuit; `parts` e.g. form the loop."""

    def __init__(self, message: str, parts: Iterable[str] = ()) -> None:
        self.parts = tuple(parts)
        super().__init__(message)


class NetworkError(DiagnoseError):
    """Tables or parents that make no Bayesian network; no `node` where the whole graph is meant."""

    def __init__(self, message: str, node: str = "") -> None:
        self.node = node
        super().__init__(message)


class NetworkTooLargeError(DiagnoseError):
    """An exact answer that would need more rows than allowed.

    Attributes:
        rows: rows needed by the largest clique, as far as counted.
        limit: rows allowed.
        nodes: the nodes of that clique.
    """

    def __init__(self, rows: int, limit: int, nodes: Iterable[str]) -> None:
        self.rows = rows
        self.limit = limit
        self.nodes = tuple(nodes)
        shown = ", ".join(self.nodes[:8]) + (", ..." if len(self.nodes) > 8 else "")
        super().__init__(
            f"exact inference would need at least {rows:,} rows over {len(self.nodes)} nodes "
            f"({shown}); the limit is {limit:,}"
        )


class RequestError(DiagnoseError):
    """A request that cannot be read; its place is e.g. `findings[2].test`, empty for all of it."""

    def __init__(self, message: str, place: str = "") -> None:
        self.place = place
        super().__init__(f"{place}: {message}" if place else message)


class SettingError(DiagnoseError):
    """A setting of the service that cannot be.

    Attributes:
        name: of the setting, e.g. `NOSTART_MACHINES`.
    """

    def __init__(self, name: str, message: str) -> None:
        self.name = name
        super().__init__(f"{name}: {message}")


class StoppedError(DiagnoseError):
    """Work that was given up, since whoever asked for it has gone or has waited too long."""


class NotReadyError(DiagnoseError):
    """A machine would have to be made ready first, which takes long, and that was not wanted."""


class NotKeptError(DiagnoseError):
    """What is not kept; also what is another shop's, so that nobody learns that it exists.

    Attributes:
        kind: what was looked for, e.g. `"job"`.
        met: its id as given.
    """

    def __init__(self, kind: str, met: str) -> None:
        self.kind = kind
        self.met = met
        super().__init__(f"no {kind} {met!r} is kept")


class WrongStateError(DiagnoseError):
    """A step that a job in its state does not take.

    Attributes:
        status: how far the job is: `open`, `runs`, `handed_over`, `closed`.
        step: kind of the step refused.
        place: where it was given, e.g. `steps[0]`.
    """

    def __init__(self, status: str, step: str, place: str = "") -> None:
        self.status = status
        self.step = step
        self.place = place
        known = {"open": "is open", "runs": "is open", "handed_over": "is handed over"}
        said = f"the job {known.get(status, 'is closed')}; it takes no step {step!r} now"
        super().__init__(f"{place}: {said}" if place else said)


class VersionConflictError(DiagnoseError):
    """A job that has gone on since it was read; nothing was written.

    Attributes:
        job_id: the job.
        expected, met: the version it was read at, and the one it has.
    """

    def __init__(self, job_id: str, expected: int, met: int) -> None:
        self.job_id = job_id
        self.expected = expected
        self.met = met
        super().__init__(
            f"job {job_id} is at version {met}, not {expected}: read it again, then decide"
        )


class OtherPriorsError(DiagnoseError):
    """Other priors hold for a machine than were read; nothing was written.

    Attributes:
        machine: id of the machine.
        expected, met: numbers of the adoptions that were read and that hold; 0 for the file's own.
    """

    def __init__(self, machine: str, expected: int, met: int) -> None:
        self.machine = machine
        self.expected = expected
        self.met = met
        super().__init__(
            f"adoption {met} holds for {machine} by now, not {expected}: read it again, then decide"
        )


class IdempotencyError(DiagnoseError):
    """A key that cannot be answered again.

    Attributes:
        in_flight: whether the first request with it is still being worked on; else it was used
            for another request.
    """

    def __init__(self, *, in_flight: bool) -> None:
        self.in_flight = in_flight
        super().__init__(
            "a request with this idempotency key is still being worked on; ask again later"
            if in_flight
            else "this idempotency key was used for another request; take a new one"
        )


class FullError(DiagnoseError):
    """More than is kept.

    Attributes:
        what: of what there is too much, e.g. `"steps of a job"`.
        most: how many are kept.
    """

    def __init__(self, what: str, most: int) -> None:
        self.what = what
        self.most = most
        super().__init__(f"too many {what}; at most {most:,} are kept")


class StoreError(DiagnoseError):
    """The store cannot be reached or written, or is of another version than this program."""


class StoreVersionError(StoreError):
    """The tables of the store are of another version than this program's; it says what to do."""
