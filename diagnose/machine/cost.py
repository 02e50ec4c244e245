"""What a machine will cost to solve, told from its parts and tests alone: nothing is solved here.

A first start solves the *base* of a machine: no fault, every single one and the pairs of faults
that matter by their priors, each of them in every *rig* (the circuit as it stands for one
measurement). `diagnose.faults.base` picks the sets; here they are only counted.

Seconds and megabytes are estimates. Their rates were fitted to first starts measured on the four
machines that come along (4 800 to 10 200 sets in 24 to 39 rigs: 1.2 to 3.6 s, 17 to 56 MB), on the
guide's example with 10, 30 and 67 lighting branches (70, 190 and 412 parts: 1.2 to 3.6 s, 14 to 21
MB), and on a small machine with 2 to 13 shared causes (2 s, 1 170 MB with 13), on one core of two
that others used as well. The fit was off by at most a sixth; the guide's example with 130
branches, 790 parts, which it had not seen, took 13.9 s and 58 MB where it says 12.8 s and 57 MB.
Another computer may be twice as fast or as slow.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.machine.ends import main_nets, posts
from diagnose.machine.model import NOT_POSSIBLE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.machine.model import Machine, Test

MOST_PAIRS, MOST_WORK = 16_000, 5e7
"""As in `diagnose.faults.base`, which stands above; a test holds them together."""

MOST_SECONDS, MOST_MEGABYTES = 120.0, 800.0
"""A machine that would take more is refused before anything is solved."""

DEAR_SECONDS, DEAR_MEGABYTES = 20.0, 300.0
"""A machine that takes more is told what makes it dear."""

START_SECONDS = 1.0
"""Reading a file of the usual length."""

SECONDS_PER_NET, SECONDS_PER_TEST = 5e-8, 2e-6
"""For each fault set: in each rig and net, and for each test. Fitted, see above."""

SECONDS_PER_PRIOR, SECONDS_PER_PAIR, SECONDS_PER_TABLE = 6e-8, 1.5e-8, 8e-6
"""For each fault set, and each pair of faults, in each combination of causes; and for each part in
each combination of those that raise it. The first is fitted, the others are estimates."""

BYTES_PER_READING, BYTES_PER_PAIR, BYTES_PER_PRIOR = 40.0, 40.0, 40.0
"""For each set and observable, each pair of faults, each set and combination of causes; the last
is taken by the first answer."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What the cost depends on.

    Attributes:
        faults: failure modes, and one thing that is not listed for each complaint.
        apart: pairs of faults of two parts.
        rigs: different ways in which the circuit stands for a measurement.
        nets: nets besides the battery's minus.
        observables, tests: what is read, and what is made of it.
        causes: shared causes that are things of their own.
        tables: combinations of causes, part by part.
    """

    faults: int
    apart: int
    rigs: int
    nets: int
    observables: int
    tests: int
    causes: int
    tables: int

    @property
    def sets(self) -> int:
        """Fault sets of the base."""
        work = max(self.rigs * self.nets, 1)
        most = min(max(MOST_WORK / work - self.faults - 1, 0.0), MOST_PAIRS)
        return 1 + self.faults + min(self.apart, int(most))

    @property
    def seconds(self) -> float:
        """About how long a first start takes."""
        a_set = self.rigs * self.nets * SECONDS_PER_NET + self.tests * SECONDS_PER_TEST
        a_cause = self.sets * SECONDS_PER_PRIOR + self.apart * SECONDS_PER_PAIR
        summed = 2.0**self.causes * a_cause + self.tables * SECONDS_PER_TABLE
        return START_SECONDS + self.sets * a_set + summed

    @property
    def megabytes(self) -> float:
        """About how much memory the first start and answer take beside the program's own 220."""
        return (
            self.sets * self.observables * BYTES_PER_READING
            + self.apart * BYTES_PER_PAIR
            + self.sets * 2.0**self.causes * BYTES_PER_PRIOR
        ) / 1e6

    @property
    def share_of_limit(self) -> float:
        """How much of what is allowed it takes; above 1 the machine is refused."""
        return max(self.seconds / MOST_SECONDS, self.megabytes / MOST_MEGABYTES)


@dataclass(frozen=True, slots=True)
class Cost:
    """What a machine costs.

    Attributes:
        counts: what it depends on.
        section, name: the entry without which it would cost least; empty where it is not dear.
        saved: share of the cost that goes with that entry, 0 to 1.
    """

    counts: Counts
    section: str = ""
    name: str = ""
    saved: float = 0.0

    @property
    def too_large(self) -> bool:
        """Whether the machine is refused."""
        return self.counts.share_of_limit > 1.0


def cost_of(machine: Machine) -> Cost:
    """What a machine will cost, and what makes it dear if it is."""
    counts = count(machine)
    if counts.seconds <= DEAR_SECONDS and counts.megabytes <= DEAR_MEGABYTES:
        return Cost(counts)
    whole = counts.share_of_limit
    lesser = [(less.share_of_limit, *entry) for entry, less in _without(machine, counts)]
    least, section, name = min(lesser, default=(whole, "", ""))
    return Cost(counts, section, name, 1.0 - least / whole)


def count(machine: Machine) -> Counts:
    """Count what the cost depends on."""
    parts = machine.parts.values()
    modes = [len(part.modes) - 1 for part in parts] + [len(machine.complaints)]
    faults = sum(modes)
    nets = {net for part in parts for net in part.terminals.values()}
    made_up = {f.id for f in machine.functions.values() if f.kind == "all_of"}
    inspected = sum(
        test.kind == "inspect"
        or (test.function in made_up and any(o.id == NOT_POSSIBLE for o in test.outcomes))
        for test in machine.tests.values()
    )
    rigs = [rig_of(machine, test) for test in machine.tests.values()]
    own = {(name, (), None, None, 0.0) for name in machine.conditions}
    raising = Counter(
        part for cause in machine.shared_causes.values() for part in {r.part for r in cause.raises}
    )
    return Counts(
        faults=faults,
        apart=(faults * (faults - 1) - sum(n * (n - 1) for n in modes)) // 2,
        rigs=len(own | {rig for rig in rigs if rig is not None}),
        nets=max(len(nets) - 1, 1),
        observables=len(machine.functions)
        + sum(rig is not None for rig in rigs)
        + inspected
        + len(machine.complaints)
        + 1,
        tests=len(machine.tests),
        causes=sum(cause.part is None for cause in machine.shared_causes.values()),
        tables=sum(2 ** raising[name] for name in machine.parts),
    )


Rig = tuple[str | None, tuple[str, ...], str | None, tuple[str, str] | None, float]
"""Condition, parts unplugged, part put in new, nets joined by the instrument, its ohms."""


def rig_of(machine: Machine, test: Test) -> Rig | None:
    """How the circuit stands for a test; None for one that reads a function or no circuit."""
    probes = test.probes
    if test.kind == "load_test" and probes is None:
        probes = posts(machine.parts, test.parts[0])
    if probes is not None:
        joined = None if test.added_ohms is None else probes
        return test.condition, test.unplugged, None, joined, test.added_ohms or 0.0
    if test.kind in ("substitute", "bridge") and test.function is not None:
        condition = test.condition or machine.functions[test.function].condition
        if test.kind == "substitute":
            return condition, test.unplugged, test.parts[0], None, 0.0
        return condition, test.unplugged, None, main_nets(machine.parts[test.parts[0]]), -1.0
    if test.kind == "amps":
        return test.condition, test.unplugged, None, None, 0.0
    if test.kind in ("ohms", "look", "wiggle") and test.parts:
        return test.condition, (), None, None, 0.0
    return None


def _without(machine: Machine, counts: Counts) -> Iterator[tuple[tuple[str, str], Counts]]:
    """Each part, test and cause, and the counts without it."""
    for part in machine.parts.values():
        modes = len(part.modes) - 1
        apart = counts.apart - modes * (counts.faults - modes)
        yield ("parts", part.id), replace(counts, faults=counts.faults - modes, apart=apart)
    rigs = Counter(rig_of(machine, test) for test in machine.tests.values())
    for test in machine.tests.values():
        rig = rig_of(machine, test)
        alone = rig is not None and rigs[rig] == 1 and rig[1:] != ((), None, None, 0.0)
        fewer = replace(counts, tests=counts.tests - 1, rigs=counts.rigs - alone)
        yield ("tests", test.id), replace(fewer, observables=counts.observables - (rig is not None))
    for cause in machine.shared_causes.values():
        free = counts.causes - (cause.part is None)
        yield ("shared_causes", cause.id), replace(counts, causes=free, tables=counts.tables // 2)
