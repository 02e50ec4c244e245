"""What a bench page shows of a job beside its advice: a test, a part; and the card of a machine."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import Response

from diagnose.paper.at_bench import told_part, told_test
from diagnose.store.keeper import Keeper
from diagnose.store.records import JobLog

from . import problems
from .bench_shapes import PartAtBench, TestAtBench
from .job_words import as_text
from .jobs import JSON, JobId
from .keys import WORKING, admitted
from .replayed import told
from .service import Service
from .tags import ETAG, UNCHANGED, IfNoneMatch

HTML = "text/html"
STYLED = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"}

LEVELS = 9
"""Tests in a row on a card at most; its room is what limits it."""

Name = Annotated[str, Path(min_length=1, max_length=100)]
Why = Annotated[
    bool, Query(description="Whether to tell what each result would leave, and the readings.")
]
Complaint = Annotated[
    str, Query(min_length=1, max_length=100, description="Id of what the customer reports.")
]


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(prefix="/v1", dependencies=[Depends(admitted(service.door, WORKING))])
    refused = (
        *(problems.NO_KEY, problems.FORBIDDEN, problems.INVALID, problems.UNKNOWN_NAME),
        *(problems.CLASH, problems.TOO_MANY, problems.MACHINE_FILE, problems.BUSY),
    )
    of_job = problems.declared(*refused, problems.NO_JOB, problems.STORE)

    async def about(request: Request, job: str, have: str | None, make: Any) -> Response:
        def tell(keeper: Keeper, log: JobLog) -> Response:
            return Response(as_text(make(keeper.replayed(log).job)), media_type=JSON)

        return await told(service, request, job, tell, have=have)

    @router.get(
        "/jobs/{job}/tests/{test}",
        tags=["jobs"],
        summary="A test as it is done",
        response_model=TestAtBench,
        responses=of_job | {200: {"headers": ETAG}} | UNCHANGED,
        operation_id="job_test",
    )
    async def job_test(
        request: Request,
        job: JobId,
        test: Name,
        why: Why = False,
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        """Where the instrument goes, how the controls stand, what good is, what to mind.

        `-` stands for the test that is proposed now.
        """
        return await about(request, job, if_none_match, lambda held: told_test(held, test, why=why))

    @router.get(
        "/jobs/{job}/parts/{part}",
        tags=["jobs"],
        summary="A part as it is looked at",
        response_model=PartAtBench,
        responses=of_job | {200: {"headers": ETAG}} | UNCHANGED,
        operation_id="job_part",
    )
    async def job_part(
        request: Request, job: JobId, part: Name, if_none_match: IfNoneMatch = None
    ) -> Response:
        """How it may have failed and how likely that is, its tests, its repairs."""
        return await about(request, job, if_none_match, lambda held: told_part(held, part))

    @router.get(
        "/machines/{machine}/card",
        tags=["machines"],
        summary="The decision card of a machine",
        response_class=Response,
        responses=problems.declared(*refused, problems.UNKNOWN_MACHINE)
        | {200: {"content": {HTML: {"schema": {"type": "string"}}}}},
        operation_id="machine_card",
    )
    async def machine_card(request: Request, machine: Name, complaint: Complaint) -> Response:
        """The first decisions for a complaint, as HTML that prints on two sides of A4."""
        page = await service.slots.run(
            request, lambda: _card(service, machine, complaint), dear=True
        )
        return Response(page, headers=STYLED, media_type=HTML)

    return router


def _card(service: Service, machine: str, complaint: str) -> str:
    from diagnose.commands.card_page import card_page, fitting_page  # noqa: PLC0415  loads on use
    from diagnose.job import Job  # noqa: PLC0415

    job = Job.open(service.shelf.prepared(machine), complaint)
    return card_page(job.prepared, fitting_page(job.prepared, job.complaint, LEVELS), None)
