"""Machines as the service tells of them, field by field, with their units."""

from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from diagnose.faults.words import OK
from diagnose.machine.model import Machine

Count = Annotated[int, BeforeValidator(len)]
OfMapping = BeforeValidator(lambda held: list(held.values()))
"""Takes the values of a machine's mapping as a list."""


class _OfMachine(BaseModel):
    """Taken from a machine or from something in it, field by field."""

    model_config = ConfigDict(from_attributes=True)


class MachineEntry(_OfMachine):
    """One machine of the list."""

    id: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    version: str = Field(description="Version of its file.")
    content_hash: str = Field(description="SHA-256 of its file, in hex.")
    parts: Count = Field(description="Number of parts.")
    tests: Count = Field(description="Number of tests.")
    complaints: Count = Field(description="Number of complaints.")


class Machines(BaseModel):
    """All machines that can be asked about."""

    machines: list[MachineEntry] = Field(description="By id.")


class Titled(_OfMachine):
    """An id with its title."""

    id: str = Field(description="Id, as questions name it.")
    title: str = Field(description="The same in words.")


class TestEntry(_OfMachine):
    """A test as the machine's file describes it."""

    id: str = Field(description="Id of the test.")
    title: str = Field(description="What to do.")
    condition: str | None = Field(description="How the controls stand meanwhile.")
    tool: str = Field(description="Id of the tool; `none` for bare hands.")
    minutes: float = Field(description="Minutes of labour with everything open.")
    area: str | None = Field(description="Id of the area that must be open.")
    unit: str | None = Field(description="Unit of a reading; null when it has only outcomes.")
    low: float | None = Field(description="Lowest reading accepted, in `unit`.")
    high: float | None = Field(description="Highest reading accepted, in `unit`.")
    outcomes: list[Titled] = Field(description="Its possible results.")
    cautions: list[str] = Field(description="Ids of the cautions that go with it.")


class ModeEntry(Titled):
    """A way in which a part can have failed."""

    per_1000_jobs: float = Field(
        ge=0.0, description="How often it is met in 1 000 jobs; the file says."
    )


class RepairEntry(Titled):
    """A way to put a part right."""

    fixes: list[str] = Field(description="Ids of the modes that it puts right.")
    minutes: float = Field(ge=0.0, description="Minutes of labour with everything open.")
    price_eur: float = Field(ge=0.0, description="Price of parts and material, in euro.")
    licensed: bool = Field(description="Whether only a licensed hand may do it.")
    cautions: list[str] = Field(description="Ids of the cautions that go with it.")


class PartEntry(Titled):
    """A part, as suspects and repairs name it."""

    kind: str = Field(description="What it is, e.g. `relay` or `wire`.")
    area: str | None = Field(description="Id of the area that must be open to reach it.")
    modes: Annotated[list[ModeEntry], OfMapping] = Field(
        description="How it can have failed; `ok`, which is none, is left out."
    )
    repairs: list[RepairEntry] = Field(description="How it can be put right.")


class AreaEntry(_OfMachine):
    """Something to open before a part can be reached."""

    id: str = Field(description="Id of the area.")
    title: str = Field(description="What is opened.")
    open_minutes: float = Field(description="Minutes to open it.")
    close_minutes: float = Field(description="Minutes to close it again.")
    inside: str | None = Field(description="Id of the area to open before it.")


class CautionEntry(_OfMachine):
    """A warning."""

    id: str = Field(description="Id of the caution.")
    text: str = Field(description="What to mind.")


class MachineDetails(_OfMachine):
    """What can be asked and recorded about one machine."""

    id: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    version: str = Field(description="Version of its file.")
    content_hash: str = Field(description="SHA-256 of its file, in hex.")
    notes: str = Field(description="What its author has to say.")
    complaints: Annotated[list[Titled], OfMapping] = Field(
        description="What a customer can report."
    )
    parts: Annotated[list[PartEntry], OfMapping] = Field(
        description="What can have failed, and how it is put right."
    )
    tests: Annotated[list[TestEntry], OfMapping] = Field(description="What can be tested.")
    tools: Annotated[list[Titled], OfMapping] = Field(description="What can be at hand.")
    areas: Annotated[list[AreaEntry], OfMapping] = Field(description="What can be open.")
    cautions: Annotated[list[CautionEntry], OfMapping] = Field(description="What to mind.")

    @classmethod
    def of(cls, machine: Machine) -> Self:
        """Everything that a caller needs to put a question."""
        details = cls.model_validate(machine)
        for part in details.parts:
            part.modes = [mode for mode in part.modes if mode.id != OK]
        for entry in details.tests:
            if entry.condition is not None:
                entry.condition = machine.conditions[entry.condition].title
            if entry.unit is None:
                entry.low = entry.high = None
        return details
