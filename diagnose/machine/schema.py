"""The whole machine file as it is written, and its JSON Schema, for editors that check it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from pydantic import Field

from diagnose.machine.entries import (
    AnyPart,
    AreaName,
    Entry,
    FunctionName,
    GeneratorName,
    Id,
    NotNegative,
    PartName,
    Per1000,
    Percent,
    Positive,
    SomeNames,
    SourcedEntry,
    SwitchName,
    Words,
)
from diagnose.machine.entries_of_tests import AnyFunction, AnyTest  # noqa: TC001

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Part


DRAFT = "http://json-schema.org/draft-07/schema#"


class MachineEntry(SourcedEntry):
    """Which machine this is."""

    id: Id
    title: Words
    version: Words = Field(description="Text, in quotes.")
    nominal_volts: Positive
    frame_net: str = Field(description="Net of the frame, where a chewed wire shorts to.")
    unlisted_per_1000_jobs: Per1000 = Field(
        description="How often something not in the file stops the machine, of 1 000 jobs."
    )
    notes: str = ""


class ShopEntry(SourcedEntry):
    """What time and a wrong turn cost here."""

    labour_eur_per_hour: Positive
    check_minutes: NotNegative = Field(description="The functional check after a repair.")
    new_part_bad_per_1000: Per1000
    escalate_minutes: NotNegative
    good_part_minutes: NotNegative = Field(
        default=0.0,
        description="What not throwing a good part away is worth, in minutes, beyond its price.",
    )


class CautionEntry(SourcedEntry):
    """A warning shown with each test or repair that names it."""

    text: Words
    source: Words


class ToolEntry(Entry):
    """Something the technician needs in the hand."""

    title: Words


class AreaEntry(SourcedEntry):
    """Something to open before a part can be reached."""

    title: Words
    open_minutes: NotNegative
    close_minutes: NotNegative
    inside: AreaName | None = None


class ConditionEntry(SourcedEntry):
    """How the controls stand; switches not listed are open."""

    title: Words
    closes: list[SwitchName] = Field(default_factory=list)
    running: list[GeneratorName] = Field(default_factory=list)
    needs: dict[FunctionName, SomeNames] = Field(
        default_factory=dict,
        description="Function -> levels without which the machine does not get into it.",
    )


class RaiseEntry(SourcedEntry):
    """Which modes a shared cause makes likelier: of parts by name, or of a kind (in areas)."""

    parts: list[PartName] | None = None
    kind: str | None = None
    areas: list[AreaName] | None = None
    modes: SomeNames
    factor: Positive

    def reached(self, parts: Mapping[str, Part | AnyPart]) -> list[str]:
        """The parts it names, or those of its kind (in its areas)."""
        return self.parts or [
            name
            for name, part in parts.items()
            if part.kind == self.kind and (self.areas is None or part.area in self.areas)
        ]


class CauseEntry(SourcedEntry):
    """Something that makes several parts fail together."""

    title: Words
    per_1000_jobs: Per1000 | None = None
    part: PartName | None = None
    modes: list[str] | None = None
    raises: list[RaiseEntry] = Field(min_length=1)


class ComplaintEntry(SourcedEntry):
    """What the customer says: function -> levels that fit the words."""

    title: Words
    says: dict[FunctionName, SomeNames] = Field(min_length=1)
    on_trying: bool = Field(
        default=True, description="Whether it shows when the machine is tried once."
    )
    words_fit_percent: Percent = Field(
        default=85.0, description="Chance that the customer who says so means what it does."
    )
    unlisted_per_1000: Per1000 | None = Field(
        default=None,
        alias="unlisted_per_1000_jobs",
        description="As of the machine, for this complaint.",
    )
    look_next: str = Field(
        default="", description="Where to look when everything in this file is cleared."
    )


class MachineFile(Entry):
    """A machine file: one type of unit with its circuit, tests and repairs."""

    machine: MachineEntry
    shop: ShopEntry
    nets: dict[Id, Words] = Field(description="Net -> words for a technician.")
    cautions: dict[Id, CautionEntry] = Field(default_factory=dict)
    tools: dict[Id, ToolEntry] = Field(default_factory=dict)
    areas: dict[Id, AreaEntry] = Field(default_factory=dict)
    conditions: dict[Id, ConditionEntry] = Field(default_factory=dict)
    parts: dict[Id, AnyPart]
    shared_causes: dict[Id, CauseEntry] = Field(default_factory=dict)
    functions: dict[Id, AnyFunction]
    complaints: dict[Id, ComplaintEntry]
    works: dict[FunctionName, SomeNames] = Field(
        default_factory=dict,
        description="Function -> levels of a machine that starts and runs; without it, one that "
        "none of the complaints fits.",
    )
    tests: dict[Id, AnyTest]


def machine_schema() -> dict[str, Any]:
    """JSON Schema (draft-07) of a machine file.

    It knows keys, types and ranges; what names must be defined and how the wiring must hang
    together only the check of the file itself knows.
    """
    found = MachineFile.model_json_schema(by_alias=True, ref_template="#/definitions/{model}")
    return {"$schema": DRAFT, **_draft_07(found)}


def machine_schema_text() -> str:
    """The schema as the text of `models/machine.schema.json`."""
    return json.dumps(machine_schema(), indent=2, ensure_ascii=False) + "\n"


def _draft_07(value: Any) -> Any:
    """Draft-07's name for definitions, no OpenAPI discriminator, no ids that fit no pattern."""
    if isinstance(value, list):
        return [_draft_07(item) for item in value]
    if not isinstance(value, dict):
        return value
    names = {"$defs": "definitions"}
    closed = {"additionalProperties": False} if "patternProperties" in value else {}
    return closed | {
        names.get(key, key): _draft_07(item)
        for key, item in value.items()
        if not (key == "discriminator" and "propertyName" in item)
    }
