"""`/v1/advice`: what to do next, from a request alone."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Body, Depends, Query, Request
from fastapi.responses import Response

from . import problems
from .content_type import json_only
from .keys import admitted
from .question import Question  # noqa: TC001  read by the framework
from .service import Told
from .shapes import Answer

if TYPE_CHECKING:
    from diagnose.job import Job

    from .service import Service

Count = Annotated[
    int | None,
    Query(ge=0, le=10_000, description="So many at most, the first ones; left out: all."),
]


def make_router(service: Service) -> APIRouter:
    """The endpoint."""
    router = APIRouter()

    @router.post(
        "/v1/advice",
        tags=["advice"],
        summary="What to do next",
        response_model=Answer,
        responses=problems.declared(
            problems.UNREADABLE,
            problems.UNKNOWN_MACHINE,
            problems.CLASH,
            problems.TOO_LONG,
            problems.WRONG_TYPE,
            problems.INVALID,
            problems.UNKNOWN_NAME,
            problems.UNIT,
            problems.OUT_OF_RANGE,
            problems.MACHINE_FILE,
            problems.NO_KEY,
            problems.TOO_MANY,
            problems.BUSY,
        ),
        dependencies=[Depends(json_only), Depends(admitted(service.door))],
        operation_id="advice",
    )
    async def advise(
        request: Request,
        question: Annotated[Question, Body()],
        tests: Count = None,
        suspects: Count = None,
    ) -> Response:
        """Beliefs about every failure mode, all tests ranked by bits per minute, and a verdict.

        The answer depends on the request alone. It gives way to the maker's manual, local codes
        and licensed practice.
        """
        told = await service.slots.run(
            request,
            lambda: _told(service, question, suspects, tests),
            dear=_dear(service, question),
        )
        service.metrics.verdicts.labels(told.action).inc()
        return Response(told.body, media_type="application/json")

    return router


def _dear(service: Service, question: Question) -> bool:
    """Whether an answer may take long: repairs are looked back on, or jobs played to their end."""
    return (
        question.look_further or bool(question.past) or not service.shelf.is_ready(question.machine)
    )


def _told(service: Service, question: Question, suspects: int | None, tests: int | None) -> Told:
    known = service.shelf.file(question.machine).content_hash
    key = (known, question.model_dump_json(), suspects, tests)
    return service.answers.get(key, lambda: _worked_out(service, question, suspects, tests))


def _worked_out(
    service: Service, question: Question, suspects: int | None, tests: int | None
) -> Told:
    with service.metrics.advice_seconds.time():
        job = service.shelf.job(question)
        content, action = advice_of(job, suspects, tests)
        if question.look_further and action != "done":
            looked = job.look_further(jobs=question.jobs, seed=question.seed)
            content["look_further"] = looked.to_dict()
    return Told(as_json(content), action)


def advice_of(job: Job, suspects: int | None, tests: int | None) -> tuple[dict[str, Any], str]:
    """The advice on a job as plain data, and the action of its verdict."""
    advice = job.advise().leading(suspects, tests)
    return advice.to_dict(), advice.verdict.action


def as_json(content: Any) -> bytes:
    """A body; NaN is refused."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
