"""Functions and tests as a machine file writes them, one class per kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from diagnose.machine.entries import (
    AreaName,
    CauseName,
    CautionName,
    ConditionName,
    Finite,
    FunctionName,
    Id,
    NetName,
    NotNegative,
    PartName,
    Percent,
    Positive,
    SomeNames,
    SourcedEntry,
    TestName,
    ToolName,
    Words,
)


class LevelEntry(SourcedEntry):
    """One level of a function; the last one has no bound."""

    at_least_volts: Finite | None = Field(default=None, description="Volts across the part.")


class FunctionEntry(SourcedEntry):
    """What every kind of function has."""

    title: Words | None = None


class LevelledFunction(FunctionEntry):
    """A function that goes by the volts across its part."""

    part: PartName
    condition: ConditionName
    levels: dict[Id, LevelEntry] = Field(description="Best first.")


class LoadFunction(LevelledFunction):
    """What a load does."""

    kind: Literal["load"]


class MotorFunction(LevelledFunction):
    """How a motor turns."""

    kind: Literal["motor"]


class RelayFunction(FunctionEntry):
    """The click of a relay; levels pulls_in, chatters, silent."""

    kind: Literal["relay"]
    part: PartName
    condition: ConditionName


class AllOfFunction(FunctionEntry):
    """Works when all the functions it needs are at one of the levels named; levels yes, no.

    Without needs it is a hand's work, a rope that comes say: only a mode's `at_most` stops it.
    """

    kind: Literal["all_of"]
    needs: dict[FunctionName, SomeNames] = Field(default_factory=dict)


AnyFunction = Annotated[
    LoadFunction | MotorFunction | RelayFunction | AllOfFunction, Field(discriminator="kind")
]


class VoltsOutcome(SourcedEntry):
    """An outcome by its lower bound in volts."""

    title: Words | None = None
    at_least_volts: Finite | None = None


class AmpsOutcome(SourcedEntry):
    """An outcome by its lower bound in amps."""

    title: Words | None = None
    at_least_amps: Finite | None = None


class OhmsOutcome(SourcedEntry):
    """An outcome by its lower bound in ohms."""

    title: Words | None = None
    at_least_ohms: Finite | None = None


class MeterProbes(SourcedEntry):
    """Where the meter's probes go."""

    red: NetName
    black: NetName


class LampProbes(SourcedEntry):
    """Where the test lamp's tip and clip go."""

    tip: NetName
    clip: NetName


class TestEntry(SourcedEntry):
    """What every kind of test has."""

    __test__ = False

    title: Words
    condition: ConditionName | None = None
    tool: ToolName | None = Field(default=None, description="The usual one when not given.")
    minutes: NotNegative
    area: AreaName | None = None
    needs: list[TestName] = Field(default_factory=list)
    cautions: list[CautionName] = Field(default_factory=list)
    unplugged: list[PartName] = Field(default_factory=list)
    slip_percent: Percent | None = None


class ProbedTest(TestEntry):
    """A voltmeter between two nets."""

    condition: ConditionName
    probes: MeterProbes
    outcomes: dict[Id, VoltsOutcome] | None = None
    spread_volts: Positive | None = None
    spread_percent: NotNegative | None = None


class VoltsTest(ProbedTest):
    """Volts between two nets."""

    kind: Literal["volts"]


class DropTest(ProbedTest):
    """Volts lost along a segment while current flows."""

    kind: Literal["drop"]


class LampTest(TestEntry):
    """A test lamp between two nets."""

    kind: Literal["lamp"]
    condition: ConditionName
    probes: LampProbes
    lamp_ohms: Positive | None = None
    outcomes: dict[Id, VoltsOutcome] | None = None
    spread_volts: Positive | None = None
    spread_percent: NotNegative | None = None


class AmpsTest(TestEntry):
    """A clamp meter around one part."""

    kind: Literal["amps"]
    condition: ConditionName
    parts: list[PartName]
    outcomes: dict[Id, AmpsOutcome]
    spread_amps: Positive | None = None
    spread_percent: NotNegative | None = None


class OhmsTest(TestEntry):
    """An ohmmeter across parts in series, taken out of the circuit."""

    kind: Literal["ohms"]
    parts: list[PartName]
    across: Literal["path", "coil"] = "path"
    outcomes: dict[Id, OhmsOutcome] | None = None
    spread_ohms: Positive | None = None
    spread_percent: NotNegative | None = None


class LoadTest(TestEntry):
    """A load tester on the battery."""

    kind: Literal["load_test"]
    parts: list[PartName]
    amps: Positive
    outcomes: dict[Id, VoltsOutcome] | None = None
    spread_volts: Positive | None = None
    spread_percent: NotNegative | None = None


class ListenTest(TestEntry):
    """Listening for, or watching, a function."""

    kind: Literal["listen"]
    function: FunctionName


class LookTest(TestEntry):
    """Looking at a function, at parts, or for a shared cause: one of the three."""

    kind: Literal["look"]
    function: FunctionName | None = None
    parts: list[PartName] | None = None
    cause: CauseName | None = None


class WiggleTest(TestEntry):
    """Moving parts while watching whether anything comes and goes."""

    kind: Literal["wiggle"]
    parts: list[PartName]


class InspectTest(TestEntry):
    """Parts inspected by hand, by eye or with a gauge: whether they have one of some modes."""

    kind: Literal["inspect"]
    parts: list[PartName] = Field(min_length=1)
    modes: SomeNames | None = Field(default=None, description="What it can show; all if not given.")


class SubstituteTest(TestEntry):
    """One known-good part put in, then watching a function."""

    kind: Literal["substitute"]
    parts: list[PartName]
    function: FunctionName


class BridgeTest(TestEntry):
    """One part jumped across its main path, then watching a function."""

    kind: Literal["bridge"]
    parts: list[PartName]
    function: FunctionName


class TryTest(TestEntry):
    """Trying the machine: whether it starts and runs, else which of the complaints it shows."""

    kind: Literal["try"]


AnyTest = Annotated[
    VoltsTest
    | DropTest
    | LampTest
    | AmpsTest
    | OhmsTest
    | LoadTest
    | ListenTest
    | LookTest
    | WiggleTest
    | InspectTest
    | SubstituteTest
    | BridgeTest
    | TryTest,
    Field(discriminator="kind"),
]
