"""Between kept jobs and what the service tells of them."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from diagnose.errors import VersionConflictError
from diagnose.steps.closing import closing_so_far, still_to_ask
from diagnose.steps.opening import Opening
from diagnose.steps.plain import step_from_dict, step_to_dict
from diagnose.store.records import KeptJob

from .refusals import ChangedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.machine.model import Machine
    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.status import KeptStep
    from diagnose.store.keeper import Going, Keeper
    from diagnose.store.records import RequestKey

    from .job_shapes import JobGiven, StepGiven

HIDDEN = frozenset({"job_id", "shop", "archive_hash"})
"""Fields of a kept job that are told otherwise, or not."""


def opening_of(given: JobGiven) -> Opening:
    """The opening that a request tells."""
    content: dict[str, Any] = given.model_dump()
    content |= {name: tuple(content[name]) for name in ("tools", "open_areas")}
    return Opening(**content)


def plain(kept: KeptJob) -> dict[str, Any]:
    """A job as it stands, as plain data; times in ISO 8601."""
    content: dict[str, Any] = {"job": kept.job_id}
    for field in fields(KeptJob):
        if field.name not in HIDDEN:
            value = getattr(kept, field.name)
            content[field.name] = value.isoformat() if hasattr(value, "isoformat") else value
    return content


def told(kept: KeptJob) -> str:
    """The same as JSON."""
    return as_text(plain(kept))


def details(kept: KeptJob, steps: Sequence[KeptStep], machine: Machine) -> str:
    """A job with all its steps, and what is to be asked before it is closed."""
    content = plain(kept)
    content["steps"] = [plain_step(step) for step in steps]
    content["closing"] = None if kept.status == "closed" else _closing(steps, machine)
    return as_text(content)


def plain_step(kept: KeptStep) -> dict[str, Any]:
    """A kept step as plain data."""
    noted = {"advised": kept.noted.advised, "tool_version": kept.noted.tool_version}
    return {"seq": kept.seq, **step_to_dict(kept.step), **noted}


def _closing(steps: Sequence[KeptStep], machine: Machine) -> dict[str, Any]:
    closed = closing_so_far(steps)
    questions = [
        {
            "asks": list(question.asks),
            "text": question.text,
            "choices": [{"part": part, "mode": mode} for part, mode in question.choices],
        }
        for question in still_to_ask(closed, steps, machine)
    ]
    return {
        "ended": closed.ended,
        "labour_minutes": closed.labour_minutes,
        "questions": questions,
    }


def as_text(content: Any) -> str:
    """JSON; NaN is refused."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def record(
    keeper: Keeper, job: str, version: int, given: Sequence[StepGiven], key: RequestKey | None
) -> Going:
    """Go on with a job.

    Raises:
        ChangedError: it has gone on since that version.
        DiagnoseError: as `Keeper.record`.
    """
    steps: list[AnyStep] = []
    for number, step in enumerate(given):
        if step.kind == "moved":
            newest = keeper.newest(job)
            steps += [newest] if newest is not None else []
        else:
            content = step.model_dump(exclude_none=True)
            steps.append(step_from_dict(content, f"steps[{number}]"))
    try:
        return keeper.record(job, version, steps, key=key)
    except VersionConflictError as error:
        added = [plain_step(step) for step in keeper.store.steps(keeper.shop, job, error.expected)]
        detail = f"the job is at version {error.met}, and {error.expected} was read"
        raise ChangedError(detail, error.met, added) from None
