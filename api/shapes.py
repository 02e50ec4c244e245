"""Requests and answers, field by field, with their units."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Name = Annotated[str, Field(min_length=1, max_length=100)]
Probability = Annotated[float, Field(ge=0.0, le=1.0)]


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class FindingGiven(_Shape):
    """What a test showed: an outcome, or a reading with its unit."""

    test: Name = Field(description="Id of the test.")
    outcome: Name | None = Field(default=None, description="Id of the outcome seen.")
    reading: Annotated[float, Field(strict=True, allow_inf_nan=False)] | None = Field(
        default=None, description="What the meter showed, in `unit`."
    )
    unit: Annotated[str, Field(max_length=20)] | None = Field(
        default=None,
        description="Unit of the reading, e.g. `V`, `mV`, `ohm`, `kohm`, `A`. "
        "Left out: the test's own unit.",
    )
    sure: Annotated[float, Field(gt=0.0, le=1.0)] = Field(
        default=1.0,
        description="How sure the finding is, above 0 to 1; less for what was only told.",
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> "FindingGiven":
        if (self.outcome is None) == (self.reading is None):
            raise ValueError("give either `outcome` or `reading`")
        if self.unit is not None and self.reading is None:
            raise ValueError("`unit` goes with `reading`")
        return self


class Question(_Shape):
    """All that is known about one job."""

    machine: Name = Field(description="Id of the machine.")
    complaint: Name = Field(description="Id of what the customer reports.")
    findings: list[FindingGiven] = Field(
        default_factory=list,
        max_length=500,
        description="Findings so far, first to last. The order only matters for the surprise.",
    )
    tools: list[Name] = Field(
        default_factory=list,
        max_length=100,
        description="Ids of the tools at hand. Empty: every tool of the machine.",
    )
    open: list[Name] = Field(
        default_factory=list, max_length=100, description="Ids of the areas open already."
    )
    temperature_celsius: Annotated[float, Field(ge=-40.0, le=60.0)] = Field(
        default=20.0,
        description="Temperature of the battery, in degrees Celsius; it shifts what it reads.",
    )


class Finding(_Shape):
    """A finding as it was taken."""

    test: str = Field(description="Id of the test.")
    outcome: str = Field(description="Id of the outcome; for a reading, the outcome it falls into.")
    reading: float | None = Field(description="The reading in `unit`; null for a mere outcome.")
    unit: str | None = Field(description="Unit of the reading.")
    surprise_bits: float = Field(
        ge=0.0,
        description="-log2 of the chance that the earlier findings gave this one, in bits. "
        "Much over 7 bits: read it again.",
    )


class Suspect(_Shape):
    """A part and a way it can have failed."""

    part: str = Field(description="Id of the part; `unlisted` for what the file does not list.")
    mode: str = Field(description="Id of the failure mode.")
    probability: Probability = Field(description="Probability given the findings, 0 to 1.")


class OutcomeChance(_Shape):
    """How likely a result is, before the test is done."""

    outcome: str = Field(description="Id of the outcome.")
    probability: Probability = Field(description="Probability given the findings, 0 to 1.")


class Test(_Shape):
    """A test not done yet, and what it is worth now."""

    test: str = Field(description="Id of the test.")
    title: str = Field(description="What to do.")
    gain_bits: float = Field(
        ge=0.0, description="What its outcome tells about the state of the parts, in bits."
    )
    minutes: float = Field(
        ge=0.0, description="Minutes of labour, opening what is not open yet included."
    )
    bits_per_minute: float = Field(ge=0.0, description="`gain_bits` over `minutes`.")
    tool: str = Field(description="Id of the tool; `none` for bare hands.")
    opens: list[str] = Field(description="Ids of the areas still to be opened, outermost first.")
    outcomes: list[OutcomeChance] = Field(description="Its possible results.")
    cautions: list[str] = Field(description="What to mind, in full sentences.")
    worth_doing: bool = Field(description="Whether it is expected to save more than it costs.")


class Verdict(_Shape):
    """What to do now."""

    action: Literal["test", "repair", "recheck", "escalate", "done"] = Field(
        description="Do a test, make a repair, do a test again, hand over, or nothing more."
    )
    target: str = Field(description="Id of the test, `part.repair`, or empty.")
    reason: str = Field(description="Why, in one sentence.")


class Answer(_Shape):
    """Beliefs, tests and verdict for one job."""

    machine: str = Field(description="Id of the machine.")
    machine_version: str = Field(description="Version of the machine's file.")
    complaint: str = Field(description="Id of what the customer reports.")
    log_evidence: float = Field(
        description="Natural logarithm of the probability of complaint and findings together."
    )
    evidence: dict[str, str] = Field(
        description="Findings that are certain: node of the exported network -> state. "
        "Readings enter as likelihoods and are not in here."
    )
    findings: list[Finding] = Field(description="Findings, first to last.")
    suspects: list[Suspect] = Field(description="Every failure mode, most likely first.")
    tests: list[Test] = Field(description="Tests not done yet, most bits per minute first.")
    verdict: Verdict = Field(description="What to do now, and why.")


class MachineEntry(_Shape):
    """One machine of the list."""

    id: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    version: str = Field(description="Version of its file.")
    parts: int = Field(description="Number of parts.")
    tests: int = Field(description="Number of tests.")
    complaints: int = Field(description="Number of complaints.")


class Machines(_Shape):
    """All machines that can be asked about."""

    machines: list[MachineEntry] = Field(description="By id.")


class Titled(_Shape):
    """An id with its title."""

    id: str = Field(description="Id, as questions name it.")
    title: str = Field(description="The same in words.")


class TestEntry(_Shape):
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


class AreaEntry(_Shape):
    """Something to open before a part can be reached."""

    id: str = Field(description="Id of the area.")
    title: str = Field(description="What is opened.")
    open_minutes: float = Field(description="Minutes to open it.")
    close_minutes: float = Field(description="Minutes to close it again.")
    inside: str | None = Field(description="Id of the area to open before it.")


class CautionEntry(_Shape):
    """A warning."""

    id: str = Field(description="Id of the caution.")
    text: str = Field(description="What to mind.")


class MachineDetails(_Shape):
    """What can be asked and recorded about one machine."""

    id: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    version: str = Field(description="Version of its file.")
    notes: str = Field(description="What its author has to say.")
    complaints: list[Titled] = Field(description="What a customer can report.")
    tests: list[TestEntry] = Field(description="What can be tested.")
    tools: list[Titled] = Field(description="What can be at hand.")
    areas: list[AreaEntry] = Field(description="What can be open.")
    cautions: list[CautionEntry] = Field(description="What to mind.")


class Health(_Shape):
    """The service answers."""

    status: Literal["ok"] = Field(description="Always `ok`.")
