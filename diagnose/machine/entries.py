"""Types shared by all entries of a machine file, and its parts, one class per kind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

if TYPE_CHECKING:
    from collections.abc import Mapping

ID_PATTERN = "^[a-z][a-z0-9_]*$"

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
"""Name that the file itself defines. References are plain text, checked against the names."""

COLOUR = "(BK|BN|RD|OG|YE|GN|BU|VT|GY|WH|PK|GD|TQ|SR)"

WireColour = Annotated[str, StringConstraints(pattern=f"^{COLOUR}(/{COLOUR})?$")]
"""Letters of IEC 60757; a stripe behind a stroke: `GN/YE`."""

Words = Annotated[str, StringConstraints(min_length=1)]
"""Text for a person, not empty."""

Finite = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Per1000 = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]

SomeNames = Annotated[list[str], Field(min_length=1)]
"""At least one name defined elsewhere in the file."""


@dataclass(frozen=True, slots=True)
class DefinedIn:
    """Marks a text as a name that must stand in a section, there as a part of one kind if given."""

    section: str
    kind: str = ""


NetName = Annotated[str, DefinedIn("nets")]
PartName = Annotated[str, DefinedIn("parts")]
SwitchName = Annotated[str, DefinedIn("parts", "switch")]
RelayName = Annotated[str, DefinedIn("parts", "relay")]
GeneratorName = Annotated[str, DefinedIn("parts", "generator")]
AreaName = Annotated[str, DefinedIn("areas")]
ToolName = Annotated[str, DefinedIn("tools")]
CautionName = Annotated[str, DefinedIn("cautions")]
ConditionName = Annotated[str, DefinedIn("conditions")]
FunctionName = Annotated[str, DefinedIn("functions")]
CauseName = Annotated[str, DefinedIn("shared_causes")]
TestName = Annotated[str, DefinedIn("tests")]


class Entry(BaseModel):
    """Base of all entries: no unknown keys, no text for numbers, never changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class SourcedEntry(Entry):
    """An entry that may say where its numbers come from."""

    source: Words | None = Field(
        default=None,
        description="Where the numbers come from: a citation, `common practice` or `estimate`.",
    )


@cache
def keys_of(model: type[Entry]) -> Mapping[str, tuple[str, DefinedIn | None]]:
    """Key in the file -> the field, and where the names it holds must be defined, if it does."""
    return {
        field.alias or name: (name, _mark((field.annotation, *field.metadata)))
        for name, field in model.model_fields.items()
    }


def _mark(hints: tuple[Any, ...]) -> DefinedIn | None:
    """The mark somewhere in type hints; those of other entries are not looked into."""
    for hint in hints:
        mark = hint if isinstance(hint, DefinedIn) else _mark(get_args(hint))
        if mark is not None:
            return mark
    return None


class ModeEntry(SourcedEntry):
    """A failure mode; numbers not given come from the dictionary of part kinds."""

    per_1000_jobs: Per1000 = Field(description="Prior over all jobs of this machine, of 1 000.")
    title: Words | None = None
    ohms: Positive | None = Field(default=None, description="Resistance of the main path.")
    emf_volts: NotNegative | None = None
    short_ohms: Positive | None = Field(default=None, description="Resistance to the frame.")
    coil_ohms: Positive | None = None
    pull_in_volts: Positive | None = None
    visible_percent: Percent | None = Field(
        default=None, description="Chance that looking at the part shows this mode."
    )
    at_best: Annotated[int, Field(ge=0)] | Literal["lowest"] | None = Field(
        default=None, description="Best function level still possible, 0 is the first."
    )
    at_most: dict[FunctionName, str] = Field(
        default_factory=dict,
        description="Function -> best level that it can still have, whatever the circuit does.",
    )
    acts_as: dict[PartName, str] = Field(
        default_factory=dict,
        max_length=1,
        description="Another part -> mode that the circuit has it in then.",
    )


class AfterEntry(Entry):
    """What is done before a repair: charging, before a battery is condemned."""

    part: PartName
    repair: Id = Field(description="One of that part's repairs; it goes after no other.")
    unless: SomeNames | None = Field(
        default=None, description="Modes; where one of them is as good as proven it need not be."
    )


class RepairEntry(SourcedEntry):
    """One way to put a part right."""

    title: Words
    minutes: NotNegative
    price_eur: NotNegative = 0.0
    fixes: SomeNames | None = Field(default=None, description="Modes; all when not given.")
    cautions: list[CautionName] = Field(default_factory=list)
    also: dict[PartName, SomeNames] = Field(
        default_factory=dict,
        description="Further parts that the same repair puts right -> their modes.",
    )
    licensed: bool = Field(
        default=False, description="Only a licensed hand may do it; it is handed over."
    )
    after: AfterEntry | None = Field(
        default=None, description="The repair that is done before it on every job."
    )


class PartEntry(SourcedEntry):
    """What every kind of part has."""

    title: Words
    area: AreaName | None = None
    unit: Id | None = Field(
        default=None,
        description="Name of what it is one piece with; all its parts are renewed together.",
    )
    pins: dict[str, Words] = Field(
        default_factory=dict, description="Terminal -> what stands beside it on the part."
    )
    modes: dict[Id, ModeEntry]
    repairs: dict[Id, RepairEntry] = Field(default_factory=dict)

    @property
    def terminals(self) -> dict[str, str]:
        """Terminal role -> net, in the order of the current."""
        return {
            role: getattr(self, name)
            for role, (name, mark) in keys_of(type(self)).items()
            if mark is not None and mark.section == "nets" and role != "shorts_to"
        }


class TwoEndedPart(PartEntry):
    """A part with one way in and one way out."""

    from_net: NetName = Field(alias="from", description="Net on the side the current comes from.")
    to: NetName = Field(description="Net on the side the current leaves by.")


OF_A_PACK = "Of this battery, where several in line make the machine's nominal volts."


class BatteryEntry(PartEntry):
    """A battery; several make a pack, in line or side by side."""

    kind: Literal["battery"]
    plus: NetName
    minus: NetName
    nominal_volts: Positive | None = Field(default=None, description=OF_A_PACK)
    emf_volts: Positive | None = None
    ohms: Positive | None = Field(default=None, description="Internal resistance.")
    cold_cranking_amps: Positive | None = None


class ChargeEntry(TwoEndedPart):
    """How far the battery is charged, between its cells and a post: beside its health."""

    kind: Literal["charge"]
    nominal_volts: Positive | None = Field(default=None, description=OF_A_PACK)
    ohms: Positive | None = None


class WireEntry(TwoEndedPart):
    """A run of copper wire; its resistance follows from size and length."""

    kind: Literal["wire"]
    awg: Annotated[int, Field(ge=-3, le=40)] | None = Field(
        default=None, description="American wire gauge; -1 is 00, -3 is 0000."
    )
    mm2: Positive | None = Field(default=None, description="Cross-section.")
    metres: Positive
    colour: WireColour | None = Field(
        default=None, description="Letters of IEC 60757; a stripe behind a stroke, as in GN/YE."
    )
    shorts_to: NetName | None = Field(
        default=None,
        description="Net that its bare copper touches when `shorted`; the frame when not given.",
    )


class ConnectorEntry(TwoEndedPart):
    """A plug, terminal or post clamp."""

    kind: Literal["connector"]
    ohms: Positive | None = None


class GroundEntry(TwoEndedPart):
    """A ring terminal bolted to metal."""

    kind: Literal["ground"]
    ohms: Positive | None = None


class FuseEntry(TwoEndedPart):
    """A fuse; its resistance follows from its rating."""

    kind: Literal["fuse"]
    amps: Positive = Field(description="Rating.")


class SwitchEntry(TwoEndedPart):
    """Contacts worked by hand or foot; the conditions say when they are closed."""

    kind: Literal["switch"]
    ohms: Positive | None = None


class RelayEntry(PartEntry):
    """A coil that works a pair of contacts."""

    kind: Literal["relay"]
    coil_in: NetName
    coil_out: NetName
    contact_in: NetName
    contact_out: NetName
    coil_ohms: Positive | None = None
    contact_ohms: Positive | None = None
    pull_in_volts: Positive | None = None
    drop_out_volts: Positive | None = None
    contacts: Literal["normally_open", "normally_closed"] = "normally_open"


class ContactsEntry(TwoEndedPart):
    """Further contacts of a relay: the other side of a changeover, a second pair."""

    kind: Literal["contacts"]
    relay: RelayName = Field(description="The relay that works them.")
    contacts: Literal["normally_open", "normally_closed"] = "normally_open"
    ohms: Positive | None = None


class DiodeEntry(TwoEndedPart):
    """A diode; current goes from its `from` to its `to`."""

    kind: Literal["diode"]
    ohms: Positive | None = Field(default=None, description="Beyond the volts it drops.")
    drop_volts: Positive | None = Field(default=None, description="What it drops, 0.7 usually.")


class InputEntry(Entry):
    """One condition of a controller's output; give one of the two bounds."""

    net: NetName
    against: NetName
    at_least_volts: Finite | None = None
    below_volts: Finite | None = None
    ohms: Positive | None = Field(default=None, description="Of the input, inside the controller.")


class ControllerEntry(PartEntry):
    """A module that switches its output when supply and inputs are right."""

    kind: Literal["controller"]
    supply: NetName
    ground: NetName
    output: NetName
    supply_ohms: Positive | None = None
    output_ohms: Positive | None = None
    output_to: Literal["supply", "ground"] = "supply"
    inputs: list[InputEntry] = Field(default_factory=list)


class LoadEntry(TwoEndedPart):
    """Something that does work with the current: lamp, pump, ignition, display."""

    kind: Literal["load"]
    ohms: Positive | None = None
    amps: Positive | None = Field(default=None, description="Current at nominal volts.")
    watts: Positive | None = Field(default=None, description="Power at nominal volts.")


class MotorEntry(TwoEndedPart):
    """A motor that cranks the engine."""

    kind: Literal["motor"]
    ohms: Positive | None = Field(default=None, description="Equivalent while turning.")
    amps: Positive | None = Field(default=None, description="Current at nominal volts.")


class GeneratorEntry(PartEntry):
    """Stator and regulator seen as one source."""

    kind: Literal["generator"]
    plus: NetName
    minus: NetName
    emf_volts: Positive | None = None
    ohms: Positive | None = None


class MechanicalEntry(PartEntry):
    """Something that no current flows through: fuel, air, compression, what turns."""

    kind: Literal["mechanical"]


AnyPart = Annotated[
    BatteryEntry
    | ChargeEntry
    | WireEntry
    | ConnectorEntry
    | GroundEntry
    | FuseEntry
    | SwitchEntry
    | RelayEntry
    | ContactsEntry
    | DiodeEntry
    | ControllerEntry
    | LoadEntry
    | MotorEntry
    | GeneratorEntry
    | MechanicalEntry,
    Field(discriminator="kind"),
]
