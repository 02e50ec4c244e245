"""`/v1/jobs/{job}/bench`: all that a page needs to show a job, in one answer."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from diagnose.errors import UnknownNameError
from diagnose.paper.at_bench import PROPOSED, told_test
from diagnose.store.keeper import Going, Keeper
from diagnose.store.records import JobLog

from . import problems
from .advice import Count, advice_of
from .bench_shapes import JobAtBench
from .job_words import as_text, details
from .jobs import JSON, JobId
from .keys import WORKING, admitted, who_of
from .machine_shapes import MachineDetails
from .replayed import told
from .service import Service, Told
from .tags import ETAG, UNCHANGED, IfNoneMatch

Known = Annotated[
    list[Annotated[str, Query(pattern="^[0-9a-f]{8,64}$")]],
    Query(
        max_length=50,
        description="Beginnings of hashes of machine files whose machines the client has: with one "
        "of these `machine` is null.",
    ),
]
Shown = Annotated[
    str,
    Query(min_length=1, max_length=100, description="Id of the test; `-` for the one proposed."),
]


def make_router(service: Service) -> APIRouter:
    """The endpoint."""
    router = APIRouter(
        prefix="/v1/jobs/{job}",
        tags=["jobs"],
        dependencies=[Depends(admitted(service.door, WORKING))],
    )

    @router.get(
        "/bench",
        summary="A job as a page shows it",
        response_model=JobAtBench,
        responses=problems.declared(
            *(problems.NO_KEY, problems.FORBIDDEN, problems.NO_JOB, problems.CLASH),
            *(problems.INVALID, problems.TOO_MANY, problems.MACHINE_FILE, problems.BUSY),
            problems.STORE,
        )
        | {200: {"headers": ETAG}}
        | UNCHANGED,
        operation_id="job_bench",
    )
    async def job_bench(
        request: Request,
        job: JobId,
        test: Shown = PROPOSED,
        tests: Count = None,
        suspects: Count = None,
        known: Known = [],  # noqa: B006  the framework makes a new one each time
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        """The job and its steps, the advice, the test in hand and the machine, of one moment."""
        shop = who_of(request).shop

        def tell(keeper: Keeper, log: JobLog) -> Response:
            kept = log.job
            key = ("bench", shop, job, kept.version, test, tests, suspects)

            def worked_out() -> Told:
                with service.metrics.advice_seconds.time():
                    return _told(keeper.replayed(log), test, suspects, tests)

            answer = service.answers.get(key, worked_out)
            service.metrics.verdicts.labels(answer.action).inc()
            has_it = any(kept.machine_hash.startswith(beginning) for beginning in known)
            machine = "null" if has_it else _machine(service, kept)
            text = f'{{{answer.body.decode()},"machine":{machine}}}'
            return Response(text, media_type=JSON)

        return await told(service, request, job, tell, have=if_none_match)

    return router


def _told(going: Going, test: str, suspects: int | None, tests: int | None) -> Told:
    """The members that hold for one version of the job."""
    content, action = advice_of(going.job, suspects, tests)
    job = details(going.kept, going.steps, going.job.machine)
    try:
        shown = as_text(told_test(going.job, test))
    except UnknownNameError:  # none is proposed, or it cannot be chosen
        shown = "null"
    return Told(f'"job":{job},"advice":{as_text(content)},"test":{shown}'.encode(), action)


def _machine(service: Service, kept: Any) -> str:
    """The machine that the job goes on with, as `/v1/machines/{machine}` tells it."""

    def details_of() -> Told:
        machine = service.keeping.machine(kept)
        return Told(MachineDetails.of(machine).model_dump_json().encode(), "")

    return service.answers.get(("machine", kept.archive_hash), details_of).body.decode()
