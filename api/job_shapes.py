"""Kept jobs and their steps, field by field, with their units."""

from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from .question import Name
from .shapes import Amount

Note = Annotated[str, Field(max_length=2_000)]
Reading = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e12, le=1e12)]
Minutes = Annotated[float, Field(ge=0.0, le=100_000.0)]
Sure = Annotated[float, Field(ge=1e-6, le=1.0)]

SHOWN = (
    "What trying the machine showed: `runs` (it starts and runs, interlocks tried), `same` (as "
    "before), the id of the complaint that it shows now, or `other`."
)


class _Given(BaseModel):
    model_config = ConfigDict(extra="forbid")


class JobGiven(_Given):
    """A job as it begins."""

    machine: Name = Field(description="Id of the machine.")
    complaint: Name = Field(description="Id of what the customer reports.")
    tools: list[Name] = Field(
        default_factory=list,
        max_length=100,
        description="Ids of the tools at hand. Empty: every tool of the machine.",
    )
    open_areas: list[Name] = Field(
        default_factory=list, max_length=100, description="Ids of the areas open already."
    )
    temperature_celsius: Annotated[float, Field(ge=-40.0, le=60.0)] = Field(
        default=20.0, description="Temperature of the battery, in degrees Celsius."
    )
    shop_reference: Name | None = Field(default=None, description="The shop's own number for it.")
    comeback_of: Name | None = Field(
        default=None, description="Id of the earlier order that this one is a comeback of."
    )
    by: Annotated[str, Field(max_length=100)] = Field(default="", description="Who opens it.")


class _Step(_Given):
    at: AwareDatetime | None = Field(
        default=None, description="When, with an offset; left out: now."
    )
    by: Annotated[str, Field(max_length=100)] = Field(default="", description="Who.")
    minutes: Minutes | None = Field(default=None, description="Minutes of labour that it took.")


class ToldGiven(_Step):
    """The customer means another complaint."""

    kind: Literal["told"] = Field(description="Which kind of step it is.")
    complaint: Name = Field(description="Id of the complaint.")


class _Result(_Step):
    test: Name = Field(description="Id of the test.")
    outcome: Name | None = Field(default=None, description="Id of the outcome seen.")
    reading: Reading | None = Field(
        default=None, description="What the meter showed, in `unit`; it goes before the outcome."
    )
    unit: Annotated[str, Field(min_length=1, max_length=20)] | None = Field(
        default=None, description="Unit of the reading; left out: the test's own unit."
    )


class FindingStep(_Result):
    """What a test gave: an outcome, or a reading."""

    kind: Literal["finding"] = Field(description="Which kind of step it is.")
    sure: Sure = Field(default=1.0, description="How sure it is, 0 to 1; less for what was told.")


class LookedAgainStep(_Result):
    """A second look at a finding: the same confirms it, another replaces it."""

    kind: Literal["looked_again"] = Field(description="Which kind of step it is.")


class WithdrawnStep(_Step):
    """A finding taken back."""

    kind: Literal["withdrawn"] = Field(description="Which kind of step it is.")
    test: Name = Field(description="Id of the test.")


class SetAsideStep(_Step):
    """A test that cannot be done now."""

    kind: Literal["set_aside"] = Field(description="Which kind of step it is.")
    test: Name = Field(description="Id of the test.")
    note: Note = Field(default="", description="Why.")


class AreaOpenedStep(_Step):
    """An area stands open, and what it lies in."""

    kind: Literal["area_opened"] = Field(description="Which kind of step it is.")
    area: Name = Field(description="Id of the area.")


class AreaClosedStep(_Step):
    """An area is closed again, and what lies in it."""

    kind: Literal["area_closed"] = Field(description="Which kind of step it is.")
    area: Name = Field(description="Id of the area.")


class ToolsStep(_Step):
    """The tools at hand from now on."""

    kind: Literal["tools"] = Field(description="Which kind of step it is.")
    tools: list[Name] = Field(max_length=100, description="Their ids; none stands for all.")


class RepairedStep(_Step):
    """A repair, and what trying the machine after it showed."""

    kind: Literal["repaired"] = Field(description="Which kind of step it is.")
    part: Name = Field(description="Id of the part.")
    repair: Name = Field(description="Id of the repair.")
    fitted_new: bool | None = Field(
        default=None, description="Whether a new part went in; left out: as the repair says."
    )
    shown: Name | None = Field(default=None, description=f"{SHOWN} Left out: not tried yet.")


class TriedStep(_Step):
    """The machine was tried after the last repair."""

    kind: Literal["tried"] = Field(description="Which kind of step it is.")
    shown: Name = Field(description=SHOWN)


class HandedOverStep(_Step):
    """The machine goes to the maker's specialist."""

    kind: Literal["handed_over"] = Field(description="Which kind of step it is.")
    note: Note = Field(default="", description="Why.")


class ClosedStep(_Step):
    """The end of a job, as the repair order keeps it."""

    kind: Literal["closed"] = Field(description="Which kind of step it is.")
    ended: Literal["runs", "handed_over", "given_up", "no_fault_found"] = Field(
        description="How it ended."
    )
    cause_part: Name | None = Field(default=None, description="Id of the part at fault.")
    cause_mode: Name | None = Field(default=None, description="Id of the way it had failed.")
    cause_seen: bool | None = Field(
        default=None, description="Whether the broken part itself was seen."
    )
    note: Note = Field(default="", description="What had made it fail, and the like.")
    labour_minutes: Minutes | None = Field(
        default=None, description="Minutes of labour in all; left out: those of the steps."
    )
    comeback_of: Name | None = Field(
        default=None, description="Id of the earlier order that this one is a comeback of."
    )


class ReopenedStep(_Step):
    """A closed or handed-over job is worked on again."""

    kind: Literal["reopened"] = Field(description="Which kind of step it is.")
    note: Note = Field(default="", description="Why.")


class MovedStep(_Step):
    """The job goes on with the machine's file, and the shop's priors, as they are now."""

    kind: Literal["moved"] = Field(description="Which kind of step it is.")


class UndoneStep(_Step):
    """The latest step that is not taken back yet is taken back."""

    kind: Literal["undone"] = Field(description="Which kind of step it is.")


StepGiven = Annotated[
    ToldGiven
    | FindingStep
    | LookedAgainStep
    | WithdrawnStep
    | SetAsideStep
    | AreaOpenedStep
    | AreaClosedStep
    | ToolsStep
    | RepairedStep
    | TriedStep
    | HandedOverStep
    | ClosedStep
    | ReopenedStep
    | MovedStep
    | UndoneStep,
    Field(discriminator="kind"),
]


class StepsGiven(_Given):
    """One step, or several at once: all of them are kept, or none."""

    steps: list[StepGiven] = Field(min_length=1, max_length=100, description="In order.")


class KeptStepTold(BaseModel):
    """A step as it is kept: the fields of its kind, and these."""

    seq: int = Field(ge=1, description="Its number in the job, from 1.")
    kind: str = Field(description="Which kind of step it is.")
    at: str = Field(description="When; ISO 8601 with an offset.")
    advised: str | None = Field(
        description="What was proposed before it, action and target; null where that is not known."
    )
    tool_version: str | None = Field(description="Version of this program that kept it.")


class JobTold(BaseModel):
    """A job as it stands."""

    job: str = Field(description="Id of the job, and of its order once it is closed.")
    version: int = Field(ge=0, description="How many steps it has; `ETag` says the same.")
    status: Literal["open", "runs", "handed_over", "closed"] = Field(description="How far it is.")
    machine: str = Field(description="Id of the machine.")
    machine_version: str = Field(description="Version of the machine's file that it goes on with.")
    machine_hash: str = Field(description="SHA-256 of that file, in hex.")
    priors_hash: str | None = Field(
        description="SHA-256 of the shop's own priors in use; null: the file's."
    )
    shop_reference: str | None = Field(description="The shop's own number for it.")
    temperature_celsius: float = Field(description="Temperature of the battery, degrees Celsius.")
    complaint_told: str = Field(description="Id of the complaint that the customer told last.")
    complaint_seen: str | None = Field(description="Id of what was first seen on trying.")
    opened_at: str = Field(description="When it was opened; ISO 8601 with an offset.")
    opened_by: str = Field(description="Who opened it.")
    changed_at: str = Field(description="When its last step was kept.")
    closed_at: str | None = Field(description="When it was closed.")
    ended: str | None = Field(description="How it ended.")
    cause_part: str | None = Field(description="Id of the part at fault.")
    cause_mode: str | None = Field(description="Id of the way it had failed.")
    cause_seen: bool | None = Field(description="Whether the broken part itself was seen.")
    note: str | None = Field(description="What was added on closing.")
    labour_minutes: Amount | None = Field(description="Minutes of labour in all.")
    comeback_of: str | None = Field(description="Id of the order that it is a comeback of.")


class Jobs(BaseModel):
    """A page of jobs."""

    jobs: list[JobTold] = Field(description="The latest opened first.")
    cursor: str | None = Field(description="For the next page; null on the last.")


class Cause(BaseModel):
    """A likely answer to what was wrong."""

    part: str = Field(description="Id of the part.")
    mode: str = Field(description="Id of the way it had failed.")


class ClosingQuestion(BaseModel):
    """One thing to ask before the job is closed."""

    asks: list[str] = Field(description="Fields of the step `closed` that the answer fills.")
    text: str = Field(description="The question.")
    choices: list[Cause] = Field(description="Likely answers, the likeliest first.")


class Closing(BaseModel):
    """How the job would close by what its steps tell, and what is still to be asked."""

    ended: str = Field(description="How it would end.")
    labour_minutes: Amount | None = Field(description="Minutes of the steps together.")
    questions: list[ClosingQuestion] = Field(
        max_length=2, description="At most two; none where nothing is missing."
    )


class JobDetails(JobTold):
    """A job as it stands, with all its steps."""

    steps: list[KeptStepTold] = Field(description="All its steps, those taken back among them.")
    closing: Closing | None = Field(description="For closing it; null once it is closed.")


class SheetLine(BaseModel):
    """A line of a sheet."""

    mark: str = Field(description="Stands before it: a number, a chance, `*` repaired, `!` mind.")
    text: str = Field(description="The line.")


class SheetSection(BaseModel):
    """Lines under a heading."""

    heading: str = Field(description="The heading; may be empty.")
    lines: list[SheetLine] = Field(description="What stands under it.")


class SheetTold(BaseModel):
    """The finding sheet of a job."""

    job: str = Field(description="Id of the job.")
    shop_reference: str | None = Field(description="The shop's own number for it.")
    changed_at: str = Field(description="When its last step was kept.")
    machine: str = Field(description="Title, id and version of the machine.")
    complaint: str = Field(description="What the customer reports.")
    sections: list[SheetSection] = Field(description="In order.")
    manual: str = Field(description="What goes before all of it.")
