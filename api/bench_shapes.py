"""What stands on the card of a bench page: a test as it is done, a part as it is looked at."""

from typing import Literal

from pydantic import BaseModel, Field

from .job_shapes import JobDetails
from .machine_shapes import MachineDetails, Titled
from .shapes import Amount, Answer, Probability, Suspect


class Mind(BaseModel):
    """A caution of a test or a repair."""

    id: str = Field(description="Id of the caution.")
    text: str = Field(description="What to mind.")
    always: bool = Field(
        description="Whether it is told in full each time: it is about what moves, burns or sprays."
    )


class ProbeAt(BaseModel):
    """Where one end of an instrument goes."""

    end: Literal["red", "black", "tip", "clip"] = Field(
        description="Probe of a meter, or tip and clip of a test lamp."
    )
    net: str = Field(description="Id of the net, as the drawing names it.")
    words: str = Field(description="Where that is, with pins and colours of wires.")


class Result(BaseModel):
    """One possible result of a test, and what it would leave."""

    outcome: str = Field(description="Id of the outcome.")
    words: str = Field(description="The same as it is said.")
    chance: Probability | None = Field(
        description="Probability given the findings, 0 to 1; null for a test that was done."
    )
    leaves: list[Suspect] | None = Field(
        description="The leading suspects after it; null where that was not asked for, or it "
        "cannot be."
    )


class ReadingUnder(BaseModel):
    """What the meter would read."""

    part: str = Field(description="Id of the part at fault; empty with all good.")
    mode: str = Field(description="Id of the way it has failed; empty with all good.")
    words: str = Field(description="The reading, with its unit.")


class TestAtBench(BaseModel):
    """A test of a job as it is done at the bench."""

    test: str = Field(description="Id of the test.")
    title: str = Field(description="What to do.")
    kind: str = Field(description="What it is: `volts`, `lamp`, `look`, `try` and so on.")
    probes: list[ProbeAt] = Field(description="Where the instrument goes: two ends, or none.")
    parts: list[str] = Field(description="Ids of the parts it is done to.")
    controls: str | None = Field(description="How the controls stand meanwhile.")
    opens: list[Titled] = Field(description="Areas to be opened first, outermost first.")
    tool: str | None = Field(description="What is needed in the hand; null for bare hands.")
    minutes: Amount = Field(description="Minutes of labour, opening included.")
    good: str = Field(description="What a good machine gives, in words.")
    good_outcome: str = Field(description="Id of the outcome that this is.")
    unit: str | None = Field(description="Unit of a reading; null when it has only outcomes.")
    low: float | None = Field(description="Lowest reading accepted, in `unit`.")
    high: float | None = Field(description="Highest reading accepted, in `unit`.")
    watched: str | None = Field(description="What is watched or listened to.")
    results: list[Result] = Field(description="Its possible results.")
    readings: list[ReadingUnder] = Field(
        description="What the meter would read: with all good, and under the leading suspects; "
        "none where that was not asked for, or for a test without a unit."
    )
    cautions: list[Mind] = Field(description="What to mind before it.")


class JobAtBench(BaseModel):
    """A job as a page shows it, all of one moment."""

    job: JobDetails = Field(description="The job with its steps.")
    advice: Answer = Field(description="What to do next.")
    test: TestAtBench | None = Field(
        description="The test that was asked for; null where there is none such now."
    )
    machine: MachineDetails | None = Field(
        description="The machine that the job goes on with; null where the client has it."
    )


class ModeAtBench(Titled):
    """A way in which a part can have failed."""

    probability: Probability = Field(description="Probability given the findings, 0 to 1.")


class TestOfPart(Titled):
    """A test that is done to a part, or probes at it."""

    done: bool = Field(description="Whether it was done since the last repair.")


class RepairAtBench(Titled):
    """A way to put a part right."""

    minutes: Amount = Field(
        description="Minutes of labour, with opening, closing and trying the machine after it."
    )
    price_eur: Amount = Field(description="Price of parts and material, in euro.")
    licensed: bool = Field(description="Whether only a licensed hand may do it.")
    cautions: list[Mind] = Field(description="What to mind before it.")


class PartAtBench(BaseModel):
    """A part of a job."""

    part: str = Field(description="Id of the part.")
    title: str = Field(description="What it is.")
    opens: list[Titled] = Field(description="Areas to be opened to reach it, outermost first.")
    modes: list[ModeAtBench] = Field(description="How it may have failed, the likeliest first.")
    tests: list[TestOfPart] = Field(description="Tests that tell something about it directly.")
    repairs: list[RepairAtBench] = Field(description="How it can be put right.")
