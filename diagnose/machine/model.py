"""A machine as frozen data: what a machine file says once it has been checked.

Plain dataclasses, so that a machine can be rebuilt from a cache without the YAML reader. All
quantities carry their unit in the name. Mappings keep the order of the file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

PartKind = Literal[
    "battery",
    "charge",
    "wire",
    "connector",
    "ground",
    "fuse",
    "switch",
    "relay",
    "contacts",
    "diode",
    "controller",
    "load",
    "motor",
    "generator",
    "mechanical",
]
TestKind = Literal[
    "volts",
    "drop",
    "lamp",
    "amps",
    "ohms",
    "listen",
    "look",
    "wiggle",
    "inspect",
    "substitute",
    "bridge",
    "load_test",
    "try",
]
FunctionKind = Literal["load", "motor", "relay", "all_of"]

RELAY_LEVELS = ("pulls_in", "chatters", "silent")
ALL_OF_LEVELS = ("yes", "no")
"""Levels of the functions that have no bounds of their own."""

RUNS, OTHER, SAME = "runs", "other", "same"
"""What trying the machine shows beside its complaints: it works, does something else, or as before.
"""

NEW_PART = "replace"
"""Id of a repair that fits a new part, which may be bad itself."""

NEW_LENGTH = "repair"
"""Id of a repair that fits a new length of wire: once cut, a good one is spliced for nothing."""

NOT_POSSIBLE = "not_possible"
"""Outcome of a test in a condition that the machine does not get into."""

OPEN_OHMS = 1e8
"""Resistance of a gap: damp, dirty insulation, far above any meter's reach in this work."""


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning shown with each test or repair that names it."""

    id: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Area:
    """Something to open before a part can be reached."""

    id: str
    title: str
    open_minutes: float
    close_minutes: float
    inside: str | None
    source: str


@dataclass(frozen=True, slots=True)
class Condition:
    """How the controls stand while testing.

    Attributes:
        closes: switches that it holds closed.
        running: generators that turn in it.
        needs: function id -> levels without which the machine does not get into it: nothing can be
            measured with the engine running on an engine that does not run.
    """

    id: str
    title: str
    closes: tuple[str, ...]
    running: tuple[str, ...]
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """What a failure does to a part: these replace the part's own values, None keeps them.

    Attributes:
        ohms: series resistance of the part's main path (battery: internal resistance).
        open, loose: the main path is interrupted; it comes and goes.
        makes_if_moved: of one that does not make: working the part hard makes it, which a wiggle
            test shows.
        short_ohms: resistance from the part's last terminal to the frame net, or `shorts_to`.
        always_closed, never_closed: contacts (switch, relay, controller output) conduct whatever
            happens, or never.
        emf_volts: source voltage (battery, generator); of a state of charge, the volts it is short
            of full; of a diode, what it drops.
        coil_ohms, coil_open: of a relay's coil, or of a controller's own draw.
        pull_in_volts: relay pulls in at or above.
    """

    ohms: float | None = None
    open: bool = False
    loose: bool = False
    makes_if_moved: bool = False
    short_ohms: float | None = None
    always_closed: bool = False
    never_closed: bool = False
    emf_volts: float | None = None
    coil_ohms: float | None = None
    coil_open: bool = False
    pull_in_volts: float | None = None


@dataclass(frozen=True, slots=True)
class Mode(Effects):
    """State of a part.

    Attributes:
        per_1000_jobs: prior over all jobs of this machine, of 1 000; 0 for `ok`.
        at_best: index of the best function level this part can still give (0 = full).
        visible: chance that looking at the part shows this mode.
        at_most: function -> best level that it can still have, whatever the circuit does.
        acts_as: another part -> mode in which the circuit has it then: a stuck engine locks the
            starter. At most one.
    """

    id: str
    title: str
    per_1000_jobs: float
    source: str
    at_best: int = 0
    visible: float = 0.0
    at_most: Mapping[str, str] = field(default_factory=dict)
    acts_as: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Repair:
    """One way to put a part right.

    Attributes:
        also: further parts put right with it -> their modes: a new battery comes charged. A new
            part brings all of its unit new, see `Part.unit`.
        licensed: whether only a licensed hand may do it; then it is handed over.
        after: (part, repair) that is done before it, None for none.
        unless: modes; where one of them is as good as proven, that need not be done.
    """

    id: str
    title: str
    fixes: tuple[str, ...]
    minutes: float
    price_eur: float
    cautions: tuple[str, ...]
    source: str
    also: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    licensed: bool = False
    after: tuple[str, str] | None = None
    unless: tuple[str, ...] = ()

    def puts_right(self, part: str) -> Mapping[str, tuple[str, ...]]:
        """Part -> its modes, of everything that the repair of a part puts right."""
        return {**self.also, part: self.fixes}


@dataclass(frozen=True, slots=True)
class Input:
    """One condition of a controller's output: volts between two nets, at least or below.

    `ohms` lie between the nets inside the controller; None: `diagnose.circuit.netlist.INPUT_OHMS`.
    """

    net: str
    against: str
    at_least_volts: float | None
    below_volts: float | None
    ohms: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A replaceable or repairable item of the circuit.

    Attributes:
        terminals: terminal role -> net. Roles: battery and generator `plus, minus`; relay
            `coil_in, coil_out, contact_in, contact_out`; controller `supply, ground, output`;
            mechanical parts, which belong to no circuit, none; all others `from, to`, in the
            direction of the current.
        ohms: resistance of the main path when good (relay and controller: their contacts).
        modes: mode id -> mode, `ok` first.
        shorts_to: net that its bare copper touches when shorted; None for the frame.
        relay: relay that works it, of further contacts.
        pins: terminal role -> what stands beside it on the part.
        colour: of a wire, in the letters of IEC 60757; None where the file does not say.
        unit: what it is one piece with: a key switch with all its contacts. One repair fits it new;
            None for a part that stands alone.
    """

    id: str
    title: str
    kind: PartKind
    terminals: Mapping[str, str]
    area: str | None
    ohms: float
    modes: Mapping[str, Mode]
    repairs: tuple[Repair, ...]
    source: str
    emf_volts: float = 0.0
    fuse_amps: float | None = None
    wire_mm2: float | None = None
    metres: float | None = None
    coil_ohms: float = 0.0
    pull_in_volts: float = 0.0
    drop_out_volts: float = 0.0
    normally_closed: bool = False
    inputs: tuple[Input, ...] = ()
    output_to: Literal["supply", "ground"] = "supply"
    cold_cranking_amps: float | None = None
    unit: str | None = None
    shorts_to: str | None = None
    relay: str | None = None
    pins: Mapping[str, str] = field(default_factory=dict)
    colour: str | None = None


@dataclass(frozen=True, slots=True)
class Raise:
    """How much a shared cause multiplies the odds of some modes of one part."""

    part: str
    modes: tuple[str, ...]
    factor: float


@dataclass(frozen=True, slots=True)
class SharedCause:
    """Something that makes several parts fail together.

    Attributes:
        per_1000_jobs: how often it is there; 0 when it is a part's failure (see `part`).
        part: when set, the cause is not a thing of its own but this part being in one of
            `modes` (a dead regulator makes a flat battery likelier).
    """

    id: str
    title: str
    per_1000_jobs: float
    raises: tuple[Raise, ...]
    source: str
    part: str | None = None
    modes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a function; `at_least_volts` is across the part (None for the lowest)."""

    id: str
    at_least_volts: float | None


@dataclass(frozen=True, slots=True)
class Function:
    """What the operator can see or hear the machine do.

    Attributes:
        kind: `load` and `motor` go by the volts across `part`; `relay` has the levels
            `pulls_in, chatters, silent`; `all_of` has `yes, no` and `needs`.
        levels: best first.
        needs: for `all_of`: function id -> levels that count as working.
    """

    id: str
    title: str
    kind: FunctionKind
    part: str | None
    condition: str | None
    levels: tuple[Level, ...]
    needs: Mapping[str, tuple[str, ...]]
    source: str


@dataclass(frozen=True, slots=True)
class Complaint:
    """What the customer reports.

    Attributes:
        says: function id -> levels that fit the words.
        on_trying: whether it shows when the machine is tried; what takes days to show does not.
        words_fit_percent: chance that the customer who says so means what the machine does.
        unlisted_per_1000: prior that something not in the file causes it; None: the machine's.
        look_next: where to look then; empty where the file does not say.
    """

    id: str
    title: str
    says: Mapping[str, tuple[str, ...]]
    source: str
    on_trying: bool = True
    words_fit_percent: float = 85.0
    unlisted_per_1000: float | None = None
    look_next: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One possible result of a test.

    `at_least` is the lower bound of a measured quantity in the test's unit (None: no bound,
    the lowest outcome). Tests without a quantity leave it None everywhere.
    """

    id: str
    title: str
    at_least: float | None = None


@dataclass(frozen=True, slots=True)
class Test:
    """An action that tells something.

    Attributes:
        probes: (red, black) nets of a meter, or (tip, clip) of a lamp.
        parts: parts measured in isolation (ohms), clamped (amps, exactly one), looked at,
            wiggled, substituted, or bridged.
        modes: what an inspection of its parts can show; every mode when empty.
        function: function listened to, looked at, or watched while bridging or substituting.
        unplugged: parts taken out of the circuit for the test.
        across: what an ohms test measures of its parts: their main path, or a relay's coil.
        added_ohms: resistance that the test itself connects between the probes (test lamp,
            load tester), None for a meter.
        unit: unit of a reading, None when the test yields only outcomes.
        low, high: range of readings accepted, in the unit.
        spread: standard deviation of a reading around the predicted value, in the unit.
        spread_percent: a further part of that deviation, in percent of the predicted value.
        slip_percent: chance that the outcome written down is not the one that was there.
    """

    id: str
    title: str
    kind: TestKind
    condition: str | None
    tool: str
    minutes: float
    area: str | None
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]
    source: str
    probes: tuple[str, str] | None = None
    parts: tuple[str, ...] = ()
    modes: tuple[str, ...] = ()
    function: str | None = None
    cause: str | None = None
    unplugged: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    added_ohms: float | None = None
    across: Literal["path", "coil"] = "path"
    unit: str | None = None
    low: float = 0.0
    high: float = 0.0
    spread: float = 0.0
    spread_percent: float = 0.0
    slip_percent: float = 1.0


@dataclass(frozen=True, slots=True)
class Tool:
    """Something the technician needs in his hand."""

    id: str
    title: str


@dataclass(frozen=True, slots=True)
class Shop:
    """What time and a wrong turn cost here."""

    labour_eur_per_hour: float
    check_minutes: float
    """The functional check after a repair."""
    new_part_bad_per_1000: float
    escalate_minutes: float
    """Handing over to the maker's specialist, in minutes of labour it is worth."""
    good_part_minutes: float
    """What not throwing a good part away is worth, beyond its price."""
    source: str


@dataclass(frozen=True, slots=True)
class Machine:
    """One type of unit with its circuit, tests and repairs.

    Attributes:
        frame_net: the net of the frame, where a chewed wire shorts to.
        works: function id -> levels of a machine that starts and runs.
        unlisted_per_1000: prior, for each complaint, that something not in the file causes it.
        content_hash: sha256 of the file this was read from, hex.
        priors_version: of the priors laid over it, see `diagnose.machine.overlay`; empty for none.
    """

    id: str
    title: str
    version: str
    notes: str
    nominal_volts: float
    frame_net: str
    unlisted_per_1000: float
    shop: Shop
    nets: Mapping[str, str]
    areas: Mapping[str, Area]
    cautions: Mapping[str, Caution]
    tools: Mapping[str, Tool]
    conditions: Mapping[str, Condition]
    parts: Mapping[str, Part]
    shared_causes: Mapping[str, SharedCause]
    functions: Mapping[str, Function]
    complaints: Mapping[str, Complaint]
    tests: Mapping[str, Test]
    works: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    content_hash: str = field(default="", compare=False)
    priors_version: str = field(default="", compare=False)

    def in_unit_with(self, part: str) -> tuple[str, ...]:
        """The parts that are one piece with a part, itself among them, in the order of the file."""
        unit = self.parts[part].unit
        if unit is None:
            return (part,)
        return tuple(other.id for other in self.parts.values() if other.unit == unit)
