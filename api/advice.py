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
        responses=declared(UNREADABLE, UNKNOWN_MACHINE, CLASH, TOO_LONG, INVALID, MACHINE_FILE),
        dependencies=[slot],
        operation_id="advice",
    )
    def advise(question: Annotated[Question, Body()]) -> dict[str, Any]:
        """Beliefs about every failure mode, all tests ranked by bits per minute, and a verdict.

        The answer depends on the request alone. It gives way to the maker's manual, local codes
        and licensed practice.
        """
        return shelf.job(question).advise().to_dict()

    return router
