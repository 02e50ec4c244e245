"""Functions and tests as a machine file writes them, one class per kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from diagnose.machine.entries import (
    Finite,
    Id,
    NotNegative,
    Percent,
    Positive,
    SomeNames,
    SourcedEntry,
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

    part: str
    condition: str
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
    part: str
    condition: str


class AllOfFunction(FunctionEntry):
    """Works when all the functions it needs are at one of the levels named; levels yes, no."""

    kind: Literal["all_of"]
    needs: dict[str, SomeNames] = Field(min_length=1)


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

    red: str
    black: str


class LampProbes(SourcedEntry):
    """Where the test lamp's tip and clip go."""

    tip: str
    clip: str


class TestEntry(SourcedEntry):
    """What every kind of test has."""

    __test__ = False

    title: Words
    condition: str | None = None
    tool: str | None = Field(default=None, description="The usual one when not given.")
    minutes: NotNegative
    area: str | None = None
    needs: list[str] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=list)
    unplugged: list[str] = Field(default_factory=list)
    slip_percent: Percent | None = None


class ProbedTest(TestEntry):
    """A voltmeter between two nets."""

    condition: str
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
    condition: str
    probes: LampProbes
    lamp_ohms: Positive | None = None
    outcomes: dict[Id, VoltsOutcome] | None = None
    spread_volts: Positive | None = None
    spread_percent: NotNegative | None = None


class AmpsTest(TestEntry):
    """A clamp meter around one part."""

    kind: Literal["amps"]
    condition: str
    parts: list[str]
    outcomes: dict[Id, AmpsOutcome]
    spread_amps: Positive | None = None
    spread_percent: NotNegative | None = None


class OhmsTest(TestEntry):
    """An ohmmeter across parts in series, taken out of the circuit."""

    kind: Literal["ohms"]
    parts: list[str]
    across: Literal["path", "coil"] = "path"
    outcomes: dict[Id, OhmsOutcome] | None = None
    spread_ohms: Positive | None = None
    spread_percent: NotNegative | None = None


class LoadTest(TestEntry):
    """A load tester on the battery."""

    kind: Literal["load_test"]
    parts: list[str]
    amps: Positive
    outcomes: dict[Id, VoltsOutcome] | None = None
    spread_volts: Positive | None = None
    spread_percent: NotNegative | None = None


class ListenTest(TestEntry):
    """Listening for, or watching, a function."""

    kind: Literal["listen"]
    function: str


class LookTest(TestEntry):
    """Looking at a function, at parts, or for a shared cause: one of the three."""

    kind: Literal["look"]
    function: str | None = None
    parts: list[str] | None = None
    cause: str | None = None


class WiggleTest(TestEntry):
    """Moving parts while watching whether anything comes and goes."""

    kind: Literal["wiggle"]
    parts: list[str]


class SubstituteTest(TestEntry):
    """One known-good part put in, then watching a function."""

    kind: Literal["substitute"]
    parts: list[str]
    function: str


class BridgeTest(TestEntry):
    """One part jumped across its main path, then watching a function."""

    kind: Literal["bridge"]
    parts: list[str]
    function: str


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
    | SubstituteTest
    | BridgeTest,
    Field(discriminator="kind"),
]
