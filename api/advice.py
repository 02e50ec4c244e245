"""`POST /v1/advice`: what to do next on a job. Nothing is kept between requests."""

from typing import Annotated, Any

from fastapi import APIRouter, Body
from fastapi.params import Depends as Dependency

from .problems import CLASH, INVALID, MACHINE_FILE, TOO_LONG, UNKNOWN_MACHINE, UNREADABLE, declared
from .shapes import Answer, Question
from .shelf import Shelf


def advice_router(shelf: Shelf, slot: Dependency) -> APIRouter:
    """The endpoint, with its work limited by `slot`."""
    router = APIRouter(tags=["advice"])

    @router.post(
        "/v1/advice",
        summary="What to do next",
        response_model=Answer,
        response_model_exclude_unset=True,
        responses=declared(UNREADABLE, UNKNOWN_MACHINE, CLASH, TOO_LONG, INVALID, MACHINE_FILE),
        dependencies=[slot],
        operation_id="advice",
    )
    def advise(question: Annotated[Question, Body()]) -> dict[str, Any]:
        """Beliefs about every failure mode, all tests ranked by bits per minute, and a verdict.

        The answer depends on the request alone. It gives way to the maker's manual, local codes
        and licensed practice.
        """
        job = shelf.job(question)
        advice = job.advise()
        answer = advice.to_dict()
        if question.look_further and advice.verdict.action != "done":
            answer["look_further"] = job.look_further(question.budget_ms / 1000.0).to_dict()
        return answer

    return router
