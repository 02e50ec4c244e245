"""Answers, field by field, with their units. More fields may come; a client passes them over."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Amount = Annotated[float, Field(ge=0.0)]


class _Shape(BaseModel):
    pass


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
    confirmed: bool = Field(description="Whether it was looked at again and stands.")
    others: list[str] = Field(description="Ids of the outcomes that other looks at it gave.")


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
    cautions: list[str] = Field(description="Ids of what to mind; see `cautions` of the answer.")
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


class LikelyRepair(_Shape):
    """A repair that may well end the complaint."""

    part: str = Field(description="Id of the part.")
    repair: str = Field(description="Id of the repair.")
    title: str = Field(description="What is done.")
    chance: Probability = Field(description="That it ends the complaint, 0 to 1.")
    minutes: Amount = Field(
        description="Minutes of labour, with opening, closing and trying the machine after it."
    )
    price_eur: Amount = Field(description="Price of parts and material, in euro.")
    minutes_to_go: Amount = Field(
        description="Minutes expected after it, without further tests, until the machine runs or "
        "is handed over; none where it helps."
    )
    licensed: bool = Field(description="Whether only a licensed hand may do it.")
    cautions: list[str] = Field(description="Ids of what to mind; see `cautions` of the answer.")


class Target(_Shape):
    """What an action is done to, part by part."""

    test: str | None = Field(description="Id of the test; null for other actions.")
    part: str | None = Field(description="Id of the part to repair; null for other actions.")
    repair: str | None = Field(description="Id of its repair; null for other actions.")


class Verdict(Target):
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


class PossibleAction(Target):
    """One thing that could be done now, and what it leads to."""

    action: Action = Field(description="A test, a repair, or handing over.")
    target: str = Field(description="Id of the test, `part.repair`, or empty.")
    minutes: Amount = Field(description="Expected minutes, itself included, to the end of the job.")
    error_minutes: Amount = Field(description="Standard error of that, in minutes.")


class LikelyStep(Target):
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
    seconds: Amount | None = Field(
        description="Seconds it took; null here, where the same question has the same answer."
    )


class Answer(_Shape):
    """Beliefs, tests and verdict for one job."""

    machine: str = Field(description="Id of the machine.")
    machine_version: str = Field(description="Version of the machine's file.")
    machine_hash: str = Field(description="SHA-256 of the machine's file, in hex.")
    priors_version: str = Field(
        description="Of the priors learnt from closed orders; empty for the file's own."
    )
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
    suspects: list[Suspect] = Field(
        description="The failure modes, most likely first; all, or as many as were asked for."
    )
    tests: list[Test] = Field(
        description="Tests not done yet, most bits per added minute first; all, or as many as were "
        "asked for."
    )
    while_open: list[WhileOpen] = Field(
        description="Those of them that tell something and whose area stands open, most bits per "
        "minute first."
    )
    closing_minutes: Amount = Field(
        description="Minutes to close what stands open at the end of the job."
    )
    verdict: Verdict = Field(description="What to do now, and why.")
    likely_repairs: list[LikelyRepair] = Field(
        description="The repairs that may well end the complaint, the likeliest first; none when "
        "the job is done."
    )
    cautions: dict[str, str] = Field(
        description="What to mind, by id: the texts of all that tests and likely repairs name."
    )
    look_further: FurtherLook | None = Field(
        default=None,
        description="How it is likely to go on; only when asked for, and not when it is done.",
    )


class Health(_Shape):
    """The service answers."""

    status: Literal["ok"] = Field(description="Always `ok`.")


class Readiness(_Shape):
    """What the service can answer for at once."""

    status: Literal["ready"] = Field(description="Always `ready`; else the answer is a problem.")
    machines: int = Field(ge=0, description="Machines that are ready.")
    unusable: list[str] = Field(description="Ids of the machines whose files cannot be used.")
