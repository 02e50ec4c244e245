"""`/v1/jobs`: jobs that are kept, step by step."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path, Query, Request
from fastapi.responses import Response

from diagnose.store.keeper import Keeper
from diagnose.store.records import RequestKey

from . import problems
from .again import IdempotencyKey, Written, once, request_key
from .content_type import json_only
from .job_shapes import JobDetails, JobGiven, Jobs, JobTold, StepsGiven
from .job_words import details, opening_of, record, told
from .keys import WORKING, Who, admitted, who_of
from .replayed import with_keeper
from .searched import Asked, filter_of
from .service import Service
from .tags import (
    ETAG,
    UNCHANGED,
    IfMatch,
    IfNoneMatch,
    expected_version,
    job_tag,
    tagged,
    unchanged,
)

JobId = Annotated[
    str, Path(pattern=r"^[0-9a-z]{1,40}$", description="Id of the job.", examples=["k3m8w2xq7v"])
]
NEXT = ("job", "job_advice", "job_sheet", "job_drawing")
JOB = {"path.job": "$response.body#/job"}
LINKS = {
    **{name: {"operationId": name, "parameters": JOB} for name in NEXT},
    "add_steps": {
        "operationId": "add_steps",
        "parameters": JOB | {"header.If-Match": "$response.header.ETag"},
    },
}
"""What can be asked about a job next."""

PLACE = {"Location": {"description": "Address of the job.", "schema": {"type": "string"}}}


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(
        prefix="/v1/jobs",
        tags=["jobs"],
        dependencies=[Depends(admitted(service.door, WORKING))],
    )
    refused = (problems.NO_KEY, problems.FORBIDDEN, problems.TOO_MANY, problems.BUSY)
    writing = (
        *refused,
        *(problems.UNREADABLE, problems.TOO_LONG, problems.WRONG_TYPE, problems.INVALID),
        *(problems.UNKNOWN_NAME, problems.KEY_REUSED, problems.IN_FLIGHT, problems.STORE),
    )

    @router.post(
        "",
        summary="Open a job",
        status_code=201,
        response_model=JobTold,
        responses=problems.declared(*writing, problems.UNKNOWN_MACHINE, problems.MACHINE_FILE)
        | {201: {"description": "It is kept.", "headers": ETAG | PLACE, "links": LINKS}},
        dependencies=[Depends(json_only)],
        operation_id="open_job",
    )
    async def open_job(
        request: Request,
        given: Annotated[JobGiven, Body()],
        idempotency_key: IdempotencyKey = None,
    ) -> Response:
        """Keep a job that begins, with the machine's file as it is now."""
        key = request_key(request, idempotency_key, await request.body())

        def write(keeper: Keeper) -> Written:
            service.shelf.file(given.machine)  # an id, never a path
            going = keeper.open_job(opening_of(given), key=key)
            place = {"location": f"/v1/jobs/{going.kept.job_id}"}
            return Written(201, tagged(going.kept) | place, told(going.kept))

        new = not service.shelf.is_ready(given.machine)
        return await _written(service, request, key, write, dear=new)

    @router.get(
        "",
        summary="Jobs",
        response_model=Jobs,
        responses=problems.declared(*refused, problems.INVALID, problems.STORE),
        operation_id="jobs",
    )
    async def jobs(
        request: Request,
        asked: Annotated[Asked, Depends()],
        limit: Annotated[int, Query(ge=1, le=200, description="Jobs on a page.")] = 50,
        cursor: Annotated[
            str | None, Query(max_length=200, description="`cursor` of the page before.")
        ] = None,
    ) -> Response:
        """A page of the shop's jobs, the latest opened first."""
        who = who_of(request)

        def listed() -> bytes:
            wanted = filter_of(service.shelf, asked)
            page = service.keeping.store().jobs(who.shop, wanted, limit=limit, cursor=cursor)
            jobs = ",".join(told(kept) for kept in page.jobs)
            return f'{{"jobs":[{jobs}],"cursor":{_text(page.cursor)}}}'.encode()

        body = await service.slots.run(request, listed)
        return Response(body, media_type="application/json")

    @router.get(
        "/{job}",
        summary="One job",
        response_model=JobDetails,
        responses=problems.declared(*refused, problems.NO_JOB, problems.INVALID, problems.STORE)
        | {200: {"headers": ETAG}}
        | UNCHANGED,
        operation_id="job",
    )
    async def job(request: Request, job: JobId, if_none_match: IfNoneMatch = None) -> Response:
        """The job as it stands, all its steps, and what is to be asked before it is closed."""
        who = who_of(request)

        return await service.slots.run(request, lambda: _told(service, who, job, if_none_match))

    @router.post(
        "/{job}/steps",
        summary="Go on with a job",
        status_code=201,
        response_model=JobDetails,
        responses=problems.declared(
            *writing,
            *(problems.NO_JOB, problems.CLASH, problems.WRONG_STATE, problems.FULL),
            *(problems.CHANGED, problems.NO_CONDITION, problems.UNIT, problems.OUT_OF_RANGE),
        )
        | {201: {"description": "They are kept.", "headers": ETAG, "links": LINKS}},
        dependencies=[Depends(json_only)],
        operation_id="add_steps",
    )
    async def add_steps(
        request: Request,
        job: JobId,
        given: Annotated[StepsGiven, Body()],
        if_match: IfMatch = None,
        idempotency_key: IdempotencyKey = None,
    ) -> Response:
        """Keep one step or several: all of them, or none.

        Whoever writes says in `If-Match` which version he has read; if another has gone on since,
        nothing is written, and the answer has the steps that came between.
        """
        body = await request.body() + f"\n{if_match}".encode()
        key = request_key(request, idempotency_key, body)

        def write(keeper: Keeper) -> Written:
            version = expected_version(if_match, keeper.store.job(keeper.shop, job))
            going = record(keeper, job, version, given.steps, key)
            text = details(going.kept, going.steps, going.job.machine)
            return Written(201, tagged(going.kept), text)

        return await _written(service, request, key, write)

    return router


JSON = "application/json"


def _told(service: Service, who: Who, job: str, have: str | None) -> Response:
    """A job with its steps, or that the client has it."""
    store = service.keeping.store()
    if have is not None:
        same = unchanged(have, job_tag(store.job(who.shop, job).version))
        if same is not None:
            return same
    log = store.log(who.shop, job)
    text = details(log.job, log.steps, service.keeping.machine(log.job))
    return Response(text, headers=tagged(log.job), media_type=JSON)


async def _written(
    service: Service,
    request: Request,
    key: RequestKey | None,
    write: Callable[[Keeper], Written],
    *,
    dear: bool = False,
) -> Response:
    """The answer of a request that writes, now or as it was before."""
    done = await with_keeper(
        service,
        request,
        lambda keeper: once(keeper.store, keeper.shop, key, lambda: write(keeper)),
        dear=dear,
    )
    return Response(done.body, status_code=done.status, headers=done.headers, media_type=JSON)


def _text(cursor: str | None) -> str:
    return "null" if cursor is None else f'"{cursor}"'
