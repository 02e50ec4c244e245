"""The machine that stands there and answers, as it really is.

Its own picture of what a technician would write down: it asks the circuit solver what is there
under the true faults, and knows nothing of chances. A meter gives the range that holds the value;
eyes see what shows more often than not. A loose joint makes contact while nobody moves it, and
the reading is steady then; wiggling shows it, and so does the check after a repair, for which the
machine is started several times over. Nothing can be measured on a running engine that does not
run, and what wants a spark is not possible where none comes. All of this is common practice, no
source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from diagnose.job import prepare
from diagnose.machine.model import NOT_POSSIBLE

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Repair, Test
    from diagnose.rule.prepared import Prepared
    from tests.walks.walk import Walk

RUNS, SAME, OTHER = "runs", "same", "other"
UNLISTED = "unlisted"
SOURCES = ("battery", "charge")
"""Kinds of parts that a boost battery stands in for."""

ENGINE_TURNS = re.compile(r"engine (still )?(running|turning)")
"""In the title of a condition that only an engine that runs gets into."""

BOOST = "boost battery"
"""In the title of a test for which another battery is connected."""

NEVER = -1e5
"""Below this a reading is no reading; volts, amps and levels do not go there."""

BAD_JOINT, GOOD_JOINT = 1, 0
"""Which of the two readings of a circuit that a loose joint breaks."""

NOT_READ = ("unsteady", NOT_POSSIBLE)
"""Outcomes that no value stands for."""


class CannotBeDoneError(Exception):
    """A test was asked for that this machine cannot be put to."""

    def __init__(self, test: Test, condition: str) -> None:
        super().__init__(f"{test.id} wants {condition!r}, and the engine does not run")
        self.test = test.id


@dataclass(frozen=True, slots=True)
class MachineAtHand:
    """A machine with its true faults.

    Attributes:
        prepared: its circuit.
        walk: the job.
        faults: what is wrong now, `part.mode` each.
        shows: complaint that it showed when it was tried last.
    """

    prepared: Prepared
    walk: Walk
    faults: tuple[str, ...]
    shows: str

    @classmethod
    def of(cls, walk: Walk) -> MachineAtHand:
        """The machine as it comes in."""
        return cls(prepare(walk.machine), walk, walk.faults, walk.told)

    @property
    def machine(self) -> Machine:
        """What its file says."""
        return self.prepared.machine

    # ------------------------------------------------------------------ what it shows by itself

    def does(self, joint: int | None = None) -> str:
        """What trying it once shows: `runs`, a complaint, or `other`.

        Args:
            joint: how a loose joint stands; None: as it does just now.
        """
        return self._does(self._joint if joint is None else joint, self._on_trying())

    def shows_after(self) -> str:
        """What the check after a repair shows.

        It is started several times over, so that a loose joint shows as well; and what takes days
        to show (flat again) is looked for where the job is about it.
        """
        looked_for = list(dict.fromkeys([*self._on_trying(), self.walk.told]))
        usual = self._does(self._joint, looked_for)
        if usual == RUNS and self._is_loose():
            return self._does(BAD_JOINT, looked_for)
        return usual

    def _does(self, joint: int, looked_for: Sequence[str]) -> str:
        says = {name: self.machine.complaints[name].says for name in looked_for}
        named = {function for said in says.values() for function in said}
        if all(self.level(name, joint) == self._good(name) for name in named):
            return RUNS
        fits = [
            name
            for name, said in says.items()
            if all(self.level(function, joint) in levels for function, levels in said.items())
        ]
        if self.shows in fits:
            return self.shows
        return max(fits, key=lambda name: len(says[name])) if fits else OTHER

    def _on_trying(self) -> list[str]:
        return [name for name in self.machine.complaints if self._tried(name)]

    def _tried(self, complaint: str) -> bool:
        """Whether a complaint shows when the machine is tried."""
        return self.machine.complaints[complaint].on_trying

    def level(self, function: str, joint: int = GOOD_JOINT) -> str:
        """At which of its levels a function is."""
        known = self.machine.functions[function]
        forced = self._forced(function)
        if forced is not None:
            return forced
        if known.kind == "all_of":
            fine = all(self.level(name, joint) in good for name, good in known.needs.items())
            return known.levels[0 if fine and not self._held_back(function) else 1].id
        value = self._readings(self.faults)[self._column(function)][joint]
        return known.levels[int(value)].id if value > NEVER else ""

    def _forced(self, function: str) -> str | None:
        """What a fault that is in no file does to a function: as the complaint says."""
        for fault in self.faults:
            part, _, complaint = fault.partition(".")
            if part == UNLISTED and function in self.machine.complaints[complaint].says:
                return self.machine.complaints[complaint].says[function][0]
        return None

    def _held_back(self, function: str) -> bool:
        """Whether something beside the circuit keeps it from working: no petrol, no compression."""
        known = [f.partition(".") for f in self.faults if _part(f) != UNLISTED]
        return any(function in self.machine.parts[p].modes[m].at_most for p, _, m in known)

    def _good(self, function: str) -> str:
        return replace(self, faults=()).level(function)

    def engine_runs(self) -> bool:
        """Whether the engine can be got to run."""
        made_up = [f for f in self.machine.functions.values() if f.id in ("runs", "starts")]
        return all(self.level(f.id, self._joint) == f.levels[0].id for f in made_up)

    # -------------------------------------------------------------------------------- its tests

    def answer(self, test: str) -> str:
        """The outcome that a good technician writes down.

        Raises:
            CannotBeDoneError: it wants a running engine, and the engine does not run.
        """
        known = self.machine.tests[test]
        if known.kind == "try":
            return self.does()
        boosted = self._without_battery() if BOOST in known.title else self
        self._can_be_done(known, boosted)
        if not boosted.gets_into(known):
            return NOT_POSSIBLE
        if known.cause is not None or known.kind == "inspect":
            return self._inspected(known)
        return self._shown(known, boosted)

    def _shown(self, known: Test, boosted: MachineAtHand) -> str:
        """What is read, heard or seen of the circuit."""
        test = known.id
        values = self._readings(boosted.faults)[self._column(test, known.function)]
        if known.kind == "wiggle" or (known.kind == "look" and known.parts):
            return self._moved_or_seen(known, values)
        if known.function is not None:
            own = test in self.prepared.behaviour.column
            levels = self.machine.functions[known.function].levels
            at = int(values[self._joint])
            return levels[at].id if own else self.level(known.function, self._joint)
        return self._read(known, values)

    @staticmethod
    def _moved_or_seen(test: Test, values: NDArray[np.float64]) -> str:
        if test.kind == "wiggle":
            return "comes_and_goes" if values[0] > 0.0 else "steady"
        return "damage_seen" if values.mean() >= 0.5 else "nothing_seen"

    def _read(self, test: Test, values: NDArray[np.float64]) -> str:
        """The range that holds what the meter shows; a relay that rattles makes it dance."""
        ranges = [_range(test, float(value)) for value in values]
        dances = ranges[0] != ranges[1] and not self._is_loose()
        if dances and any(outcome.id == "unsteady" for outcome in test.outcomes):
            return "unsteady"
        return ranges[self._joint]

    def _can_be_done(self, test: Test, boosted: MachineAtHand) -> None:
        if test.condition is None:
            return
        condition = self.machine.conditions[test.condition]
        if ENGINE_TURNS.search(condition.title) and not boosted.engine_runs():
            raise CannotBeDoneError(test, condition.title)

    def gets_into(self, test: Test) -> bool:
        """Whether the machine gets into a test's condition, where the test may say that not."""
        if test.condition is None or all(o.id != NOT_POSSIBLE for o in test.outcomes):
            return True
        needs = self.machine.conditions[test.condition].needs
        return all(self.level(name, self._joint) in levels for name, levels in needs.items())

    def _without_battery(self) -> MachineAtHand:
        """With a boost battery on it."""
        parts = self.machine.parts
        own = [f for f in self.faults if _part(f) != UNLISTED and parts[_part(f)].kind in SOURCES]
        return replace(self, faults=tuple(fault for fault in self.faults if fault not in own))

    def _inspected(self, test: Test) -> str:
        """What a search for a shared cause, or a closer look at parts, shows."""
        if test.cause is not None:
            return "found" if self._has_cause(test.cause) else "not_found"
        return "at_fault" if self._finds(test) else "in_order"

    def _finds(self, test: Test) -> bool:
        """Whether a closer look shows one of the faults."""
        wrong = [fault.partition(".") for fault in self.faults]
        return any(
            part in test.parts and (not test.modes or mode in test.modes) for part, _, mode in wrong
        )

    def _has_cause(self, cause: str) -> bool:
        known = self.machine.shared_causes[cause]
        if known.part is None:
            return cause in self.walk.causes
        return any(f"{known.part}.{mode}" in self.faults for mode in known.modes)

    # ------------------------------------------------------------------------------ its repairs

    def repair(self, part: str, repair: str) -> tuple[MachineAtHand, str]:
        """The machine after a repair, and what the check showed."""
        done = self.repair_of(part, repair)
        gone = {f"{part}.{mode}" for mode in done.fixes}
        gone |= {f"{also}.{mode}" for also, modes in done.also.items() for mode in modes}
        after = replace(self, faults=tuple(fault for fault in self.faults if fault not in gone))
        shown = after.shows_after()
        return after.tried(shown), SAME if shown == self.shows else shown

    def repair_of(self, part: str, repair: str) -> Repair:
        """One of a part's repairs."""
        return next(known for known in self.machine.parts[part].repairs if known.id == repair)

    def is_bad(self, part: str) -> bool:
        """Whether what a part is one piece with has a fault, or it is a fuse that a short blows."""
        bad = self.box(part) in {self.box(_part(fault)) for fault in self.faults}
        return bad or (part in self.walk.blown and self.is_shorted())

    def box(self, part: str) -> str:
        """What a part comes in from the shelf: contacts of one key switch come together."""
        return (self.machine.parts[part].unit if part in self.machine.parts else None) or part

    def same_work(self, repair: str) -> str:
        """A `part.repair` by what it does: a new key switch is one, whichever contact was bad."""
        part, _, own = repair.partition(".")
        return f"{self.box(part)}.{own}" if own == "replace" else repair

    def is_shorted(self) -> bool:
        """Whether a wire touches the frame."""
        return any(fault.endswith(".shorted") for fault in self.faults)

    def tried(self, shown: str) -> MachineAtHand:
        """The same machine once it was seen what it does."""
        return replace(self, shows=shown) if shown in self.machine.complaints else self

    # ------------------------------------------------------------------------------- the solver

    @property
    def _joint(self) -> int:
        return BAD_JOINT if self.walk.apart and self._is_loose() else GOOD_JOINT

    def _is_loose(self) -> bool:
        return any(
            part != UNLISTED and self.machine.parts[part].modes[mode].loose
            for part, _, mode in (fault.partition(".") for fault in self.faults)
        )

    def _column(self, name: str, function: str | None = None) -> int:
        column = self.prepared.behaviour.column
        return column[name if name in column else str(function)]

    def _readings(self, faults: tuple[str, ...]) -> NDArray[np.float64]:
        """(observables, 2) what is there."""
        return solved(self.walk.machine, faults)


@cache
def solved(machine: str, faults: tuple[str, ...]) -> NDArray[np.float64]:
    known = prepare(machine)
    number = {f"{part}.{mode}": i for i, (part, mode) in enumerate(known.faults)}
    found: NDArray[np.float64]
    found = known.behaviour.readings([tuple(sorted(number[fault] for fault in faults))])[0]
    return found


def _range(test: Test, value: float) -> str:
    for outcome in test.outcomes:
        if outcome.at_least is not None and value >= outcome.at_least:
            return outcome.id
    return next(o.id for o in test.outcomes if o.at_least is None and o.id not in NOT_READ)


def _part(fault: str) -> str:
    return fault.partition(".")[0]
