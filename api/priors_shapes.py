"""Priors of a machine as the service tells of them, field by field, with their units."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from .shapes import Probability

PerThousand = Annotated[float, Field(ge=0.0)]
By = Annotated[str, Field(max_length=100)]


class RolledBackGiven(BaseModel):
    """Who goes back to the priors before."""

    model_config = ConfigDict(extra="forbid")

    by: By = Field(default="", description="Who decides; left empty: the name of the key.")


class PriorsGiven(RolledBackGiven):
    """A priors file."""

    text: Annotated[str, Field(min_length=1, max_length=4_000_000)] = Field(
        description="The file, as `diagnose refit` writes it: YAML."
    )


class AdoptionTold(BaseModel):
    """Priors that the shop took, and when."""

    adoption: int = Field(description="Its number.")
    hash: str = Field(description="SHA-256 of the file, in hex.")
    adopted_at: datetime = Field(description="When it was taken.")
    adopted_by: str = Field(description="Who decided.")
    rolled_back_at: datetime | None = Field(description="When it was gone back from; null: never.")
    rolled_back_by: str | None = Field(description="Who went back.")
    holds: bool = Field(description="Whether it is what new jobs are opened with.")


class RateTold(BaseModel):
    """How often something is at fault, per 1 000 jobs."""

    kind: Literal["mode", "cause", "not listed"] = Field(
        description="A failure mode, a shared cause, or what the file does not list."
    )
    part: str = Field(description="Id of the part, the cause or the complaint.")
    mode: str = Field(description="Id of the mode; empty for the others.")
    title: str = Field(description="The same in words.")
    shipped: PerThousand = Field(description="As the machine's file says, per 1 000 jobs.")
    refitted: PerThousand = Field(description="As learnt, per 1 000 jobs.")
    low: PerThousand = Field(description="Lower end of its 90 % interval, per 1 000 jobs.")
    high: PerThousand = Field(description="Upper end of its 90 % interval, per 1 000 jobs.")
    equivalent_cases: float = Field(ge=0.0, description="Cases seen for certain that it is worth.")
    learnt: float = Field(
        ge=0.0,
        le=1.0,
        description="How far it is the orders' own, 0 to 1; below 0.5 it counts as shipped.",
    )
    known: bool = Field(description="Whether `learnt` is 0.5 or more.")
    group: int | None = Field(
        description="Number, from 1, of its group in `not_identified`; null where it has none."
    )


class GroupTold(BaseModel):
    """Modes that no test done tells apart: their sum is known, its split is the file's."""

    members: list[str] = Field(description="Titles of the modes.")
    shipped: PerThousand = Field(description="Their sum as the file says, per 1 000 jobs.")
    refitted: PerThousand = Field(description="Their sum as learnt, per 1 000 jobs.")
    low: PerThousand = Field(description="Lower end of its 90 % interval, per 1 000 jobs.")
    high: PerThousand = Field(description="Upper end of its 90 % interval, per 1 000 jobs.")


class FigureTold(BaseModel):
    """Any other figure that was learnt."""

    kind: Literal["words", "slip", "test", "area", "repair", "raises", "new_part"] = Field(
        description="How often a customer's words fit; how often the outcome written down is "
        "another than there was; minutes of a test, an area or a repair; how much a cause raises a "
        "mode; how often a new part is bad."
    )
    title: str = Field(description="What it is of.")
    unit: Literal["%", "min", "times", "per 1 000"] = Field(description="Its unit.")
    shipped: float | None = Field(description="As the file says; null where tests differ in it.")
    refitted: float = Field(description="As learnt.")


class ScoreTold(BaseModel):
    """How well later orders were foretold, by one measure."""

    title: str = Field(description="Of the measure.")
    shipped: float = Field(description="With the priors that were in use.")
    refitted: float = Field(description="With these.")


class BinTold(BaseModel):
    """Chances of about one size that were given to causes of later orders, and what came."""

    predicted: Probability = Field(description="Their mean, 0 to 1.")
    observed: Probability = Field(description="Share of them that it was, 0 to 1.")
    low: Probability = Field(description="Lower end of what chances that are meant show, 0 to 1.")
    high: Probability = Field(description="Upper end of that, 0 to 1.")
    cases: int = Field(ge=0, description="How many chances.")


class JudgedTold(BaseModel):
    """What came of foretelling later orders."""

    verdict: Literal["adopt", "keep"] = Field(description="Whether to take the priors.")
    reason: str = Field(description="Why, in one sentence.")
    scores: list[ScoreTold] = Field(description="By measure.")
    calibration: list[BinTold] = Field(description="By bin, the smallest chances first.")


class PriorsTold(BaseModel):
    """Priors beside what the machine's file says."""

    machine: str = Field(description="Id of the machine.")
    fits: bool = Field(
        description="Whether they were made for the machine's file as it is now. Where not, no job "
        "can be opened with them, and no figures are told."
    )
    why_not: str | None = Field(description="What does not fit; null where all does.")
    priors_version: str | None = Field(description="What answers call them.")
    orders: int | None = Field(description="Closed orders that they were learnt from.")
    window_from: str | None = Field(description="Day of the first of these; null: not told.")
    window_to: str | None = Field(description="Day of the last of these; null: not told.")
    rates: list[RateTold] = Field(description="What was learnt first, the farthest from the file.")
    not_identified: list[GroupTold] = Field(description="What no test done told apart.")
    figures: list[FigureTold] = Field(description="Everything else that was learnt.")
    judged: JudgedTold | None = Field(description="How they foretold later orders; null: unknown.")


class PriorsOfAdoption(PriorsTold):
    """Priors that the shop took, beside what the machine's file says."""

    adoption: AdoptionTold = Field(description="Which they are.")


class PriorsOfMachine(BaseModel):
    """Which priors a shop's new jobs on a machine are opened with, and which were before."""

    machine: str = Field(description="Id of the machine.")
    title: str = Field(description="What it is.")
    machine_version: str = Field(description="Version of its file.")
    machine_hash: str = Field(description="SHA-256 of its file, in hex.")
    may_decide: bool = Field(description="Whether the key that asks may adopt and roll back.")
    in_use: PriorsOfAdoption | None = Field(
        description="What new jobs are opened with; null: the figures of the machine's file."
    )
    adoptions: list[AdoptionTold] = Field(description="The latest hundred, the latest first.")
