"""Requests and answers, field by field, with their units."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from diagnose.machine.model import Machine

Name = Annotated[str, Field(min_length=1, max_length=100)]
Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Amount = Annotated[float, Field(ge=0.0)]
Count = Annotated[int, BeforeValidator(len)]
OfMapping = BeforeValidator(lambda held: list(held.values()))
"""Takes the values of a machine's mapping as a list."""


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

    @property
    def result(self) -> str | float:
        """The outcome or the reading, as a job takes it."""
        if self.reading is None:
            return self.outcome or ""
        return self.reading if self.unit is None else f"{self.reading!r} {self.unit}"


class RepairGiven(_Shape):
    """A repair that was done, with what was found between the one before and it."""

    findings: list[FindingGiven] = Field(
        default_factory=list,
        max_length=500,
        description="Findings before this repair, since the one before it.",
    )
    part: Name = Field(description="Id of the part repaired.")
    repair: Name = Field(description="Id of the repair.")
    check: Name | None = Field(
        default=None,
        description="What trying the machine showed: `runs` (it starts and runs, interlocks "
        "tried), `same` (as before), the id of the complaint that it shows now, or `other`; null "
        "when nobody tried.",
    )


class Question(_Shape):
    """All that is known about one job."""

    machine: Name = Field(description="Id of the machine.")
    complaint: Name = Field(description="Id of what the customer reports.")
    findings: list[FindingGiven] = Field(
        default_factory=list,
        max_length=500,
        description="Findings so far (since the last repair), first to last. The order only "
        "matters for the surprise.",
    )
    past: list[RepairGiven] = Field(
        default_factory=list,
        max_length=12,
        description="Repairs done so far, first to last. After each, tests can be done again.",
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
    look_further: bool = Field(
        default=False,
        description="Whether to play the job to its end as well; the answer then has "
        "`look_further`.",
    )
    budget_ms: Annotated[float, Field(ge=1.0, le=2_000.0)] = Field(
        default=50.0, description="Milliseconds to spend on that. More of them, smaller errors."
    )


class Finding(_Shape):
    """A finding as it was taken."""

    test: str = Field(description="Id of the test.")
    outcome: str = Field(description="Id of the outcome; for a reading, the outcome it falls into.")
    reading: float | None = Field(description="The reading in `unit`; null for a mere outcome.")
    unit: str | None = Field(description="Unit of the reading.")
    surprise_bits: Amount = Field(
        description="-log2 of the chance that the earlier findings gave this one, in bits. "
        "Much over 7 bits: read it again.",
    )
    repairs_before: int = Field(ge=0, description="Repairs that had been done when it was found.")


class Repair(_Shape):
    """A repair as it was taken."""

    part: str = Field(description="Id of the part.")
    repair: str = Field(description="Id of the repair.")
    title: str = Field(description="What was done.")
    check: str | None = Field(
        description="What trying the machine showed: `runs`, a complaint, `other`; null: not tried."
    )
    chance: Probability | None = Field(
        description="How likely that was, by what was known before; null without a check."
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
    gain_bits: Amount = Field(description="What its outcome tells about the parts, in bits.")
    minutes: Amount = Field(description="Minutes of labour, opening included.")
    added_minutes: Amount = Field(
        description="`minutes` with the opening of each area counted only by the probability that "
        "the repair will not have to open it anyway.",
    )
    bits_per_minute: Amount = Field(description="`gain_bits` over `minutes`.")
    bits_per_added_minute: Amount = Field(
        description="`gain_bits` over `added_minutes`; the ranking."
    )
    tool: str = Field(description="Id of the tool; `none` for bare hands.")
    opens: list[str] = Field(description="Ids of the areas still to be opened, outermost first.")
    outcomes: list[OutcomeChance] = Field(description="Its possible results.")
    cautions: list[str] = Field(description="What to mind, in full sentences.")
    worth_doing: bool = Field(
        description="Whether it is expected to save more than it costs, and to tell more per "
        "minute than trying the first repair would."
    )


class WhileOpen(_Shape):
    """A test that costs less because the area it needs stands open."""

    test: str = Field(description="Id of the test.")
    title: str = Field(description="What to do.")
    area: str = Field(description="Id of the area it needs.")
    gain_bits: Amount = Field(description="What its outcome tells about the parts, in bits.")
    minutes: Amount = Field(description="Minutes of labour, with nothing to be opened.")
    bits_per_minute: Amount = Field(description="`gain_bits` over `minutes`.")
    saved_minutes: Amount = Field(
        description="Minutes that opening the area and closing it again would add."
    )
    worth_doing: bool = Field(description="As in `tests`.")


class Verdict(_Shape):
    """What to do now."""

    action: Literal["test", "repair", "recheck", "escalate", "done"] = Field(
        description="Do a test, make a repair, do a test again, hand over, or nothing more."
    )
    target: str = Field(description="Id of the test, `part.repair`, or empty.")
    reason: str = Field(description="Why, in a sentence or two.")
    notes: list[str] = Field(
        description="On handing over: what was cleared, where to look next. On a machine that "
        "runs: what is left to do before it goes out, or that a charged battery is followed up."
    )


Action = Literal["test", "repair", "escalate"]


class PossibleAction(_Shape):
    """One thing that could be done now, and what it leads to."""

    action: Action = Field(description="A test, a repair, or handing over.")
    target: str = Field(description="Id of the test, `part.repair`, or empty.")
    minutes: Amount = Field(description="Expected minutes, itself included, to the end of the job.")
    error_minutes: Amount = Field(description="Standard error of that, in minutes.")


class LikelyStep(_Shape):
    """A step of the likeliest way from here."""

    action: Action = Field(description="A test, a repair, or handing over.")
    target: str = Field(description="Id of the test, `part.repair`, or empty.")
    outcome: str = Field(
        description="The test's likeliest outcome; `runs` or `not_yet` after a repair; else empty."
    )
    probability: Probability = Field(
        description="That all comes this way, up to and with this outcome, 0 to 1."
    )


class FurtherLook(_Shape):
    """How the job is likely to go on, from playing it to its end many times."""

    minutes_left: Amount = Field(
        description="Expected minutes until the machine runs or the job is handed over."
    )
    error_minutes: Amount = Field(
        description="Standard error of that, in minutes; 0 when every outcome was followed."
    )
    p90_minutes: Amount = Field(description="Minutes by which nine jobs in ten are over.")
    p90_error_minutes: Amount = Field(description="Standard error of that, in minutes.")
    actions: list[PossibleAction] = Field(
        description="The leading actions; the first is what one test ahead says."
    )
    best: PossibleAction = Field(
        description="The one to do; the first unless another is better beyond the error."
    )
    and_then: list[LikelyStep] = Field(
        description="The likeliest steps: the best action, then at most two more."
    )
    jobs: int = Field(ge=0, description="Jobs played; 0 when every outcome was followed.")
    seconds: Amount = Field(description="Time it took.")


class Answer(_Shape):
    """Beliefs, tests and verdict for one job."""

    machine: str = Field(description="Id of the machine.")
    machine_version: str = Field(description="Version of the machine's file.")
    complaint: str = Field(description="Id of what the customer reports.")
    log_evidence: float = Field(
        description="Natural logarithm of the probability of complaint and findings together."
    )
    findings: list[Finding] = Field(description="Findings, first to last.")
    repairs: list[Repair] = Field(description="Repairs, first to last.")
    mass_left_out: Probability = Field(
        description="Most that the combinations of faults not looked at can add up to, as a "
        "probability, 0 to 1; every other probability here is exact to that."
    )
    search: Literal["bounded", "sampled", "budget"] = Field(
        description="How the search for combinations of faults ended: that bound is below half a "
        "percent (`bounded`), an estimate of it with two standard errors added is (`sampled`), or "
        "neither could be reached (`budget`)."
    )
    suspects: list[Suspect] = Field(description="Every failure mode, most likely first.")
    tests: list[Test] = Field(description="Tests not done yet, most bits per added minute first.")
    while_open: list[WhileOpen] = Field(
        description="Those of them that tell something and whose area stands open, most bits per "
        "minute first."
    )
    closing_minutes: Amount = Field(
        description="Minutes to close what stands open at the end of the job."
    )
    verdict: Verdict = Field(description="What to do now, and why.")
    look_further: FurtherLook | None = Field(
        default=None,
        description="How it is likely to go on; only when asked for, and not when it is done.",
    )


class _OfMachine(_Shape):
    """Taken from a machine or from something in it, field by field."""

    model_config = ConfigDict(from_attributes=True)


class MachineEntry(_OfMachine):
    """One machine of the list."""

    id: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    version: str = Field(description="Version of its file.")
    parts: Count = Field(description="Number of parts.")
    tests: Count = Field(description="Number of tests.")
    complaints: Count = Field(description="Number of complaints.")


class Machines(_Shape):
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
    notes: str = Field(description="What its author has to say.")
    complaints: Annotated[list[Titled], OfMapping] = Field(
        description="What a customer can report."
    )
    tests: Annotated[list[TestEntry], OfMapping] = Field(description="What can be tested.")
    tools: Annotated[list[Titled], OfMapping] = Field(description="What can be at hand.")
    areas: Annotated[list[AreaEntry], OfMapping] = Field(description="What can be open.")
    cautions: Annotated[list[CautionEntry], OfMapping] = Field(description="What to mind.")

    @classmethod
    def of(cls, machine: Machine) -> Self:
        """Everything that a caller needs to put a question."""
        details = cls.model_validate(machine)
        for entry in details.tests:
            if entry.condition is not None:
                entry.condition = machine.conditions[entry.condition].title
            if entry.unit is None:
                entry.low = entry.high = None
        return details


class Health(_Shape):
    """The service answers."""

    status: Literal["ok"] = Field(description="Always `ok`.")
