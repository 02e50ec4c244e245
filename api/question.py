"""Questions, field by field, with their units."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from diagnose.ahead.look_further import FEWEST

MOST_JOBS = 500
"""Jobs played for one request at most; a large machine needs some ten milliseconds for each."""

Name = Annotated[str, Field(min_length=1, max_length=100)]


class _Given(BaseModel):
    model_config = ConfigDict(extra="forbid")


class FindingGiven(_Given):
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
    confirmed: bool = Field(
        default=False,
        description="Whether it was looked at again and stands: the reply to a `recheck` that "
        "found the same. Where it found something else, give that, and the first in `others`.",
    )
    others: list[Name] = Field(
        default_factory=list,
        max_length=10,
        description="Ids of the outcomes that other looks at it gave. Of two that differ neither "
        "is sure; a third look settles it.",
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


class RepairGiven(_Given):
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


class Question(_Given):
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
    set_aside: list[Name] = Field(
        default_factory=list,
        max_length=500,
        description="Ids of the tests that are not to be proposed.",
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
    jobs: Annotated[int, Field(ge=FEWEST, le=MOST_JOBS)] = Field(
        default=40, description="Jobs to play then. More of them, smaller errors."
    )
    seed: Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        default=0, description="Other jobs are played for another one, the same for the same."
    )
