"""What is told of a kept job: advice, finding sheet, drawing."""

from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Request
from fastapi.responses import Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from diagnose.advice.plain import plain
from diagnose.circuit.drawing import draw, steady_shape
from diagnose.paper.sheet import Sheet, sheet
from diagnose.store.keeper import Going, Keeper
from diagnose.store.records import JobLog

from . import problems
from .accept import chosen
from .advice import Count, advice_of
from .job_shapes import SheetTold
from .job_words import as_text
from .job_words import plain as plain_job
from .jobs import JSON, JobId
from .keys import WORKING, admitted
from .replayed import At, told
from .service import Service, Told
from .shapes import Answer
from .tags import ETAG, UNCHANGED, IfNoneMatch

HTML, SVG = "text/html", "image/svg+xml"
STYLED = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"}
"""For what brings its own style along and nothing else."""

Accept = Annotated[str, Header(include_in_schema=False)]


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(
        prefix="/v1/jobs/{job}",
        tags=["jobs"],
        dependencies=[Depends(admitted(service.door, WORKING))],
    )
    refused = (
        *(problems.NO_KEY, problems.FORBIDDEN, problems.NO_JOB, problems.CLASH, problems.INVALID),
        *(problems.TOO_MANY, problems.MACHINE_FILE, problems.BUSY, problems.STORE),
        problems.OUT_OF_RANGE,
    )

    @router.get(
        "/advice",
        summary="What to do next on a job",
        response_model=Answer,
        responses=problems.declared(*refused) | {200: {"headers": ETAG}} | UNCHANGED,
        operation_id="job_advice",
    )
    async def job_advice(
        request: Request,
        job: JobId,
        tests: Count = None,
        suspects: Count = None,
        at: At = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        """As `POST /v1/advice`, from the steps that are kept, or from the first `at` of them."""

        def tell(keeper: Keeper, log: JobLog) -> Response:
            def worked_out() -> Told:
                with service.metrics.advice_seconds.time():
                    content, action = advice_of(keeper.replayed(log).job, suspects, tests)
                return Told(as_text(content).encode(), action)

            key = (keeper.shop, job, log.job.version, suspects, tests)
            answer = service.answers.get(key, worked_out)
            service.metrics.verdicts.labels(answer.action).inc()
            return Response(answer.body, media_type=JSON)

        return await told(service, request, job, tell, have=if_none_match, at=at)

    @router.get(
        "/sheet",
        summary="The finding sheet of a job",
        response_model=SheetTold,
        responses=problems.declared(*refused, problems.NOT_ACCEPTABLE)
        | {200: {"headers": ETAG, "content": {HTML: {"schema": {"type": "string"}}}}}
        | UNCHANGED,
        operation_id="job_sheet",
    )
    async def job_sheet(
        request: Request,
        job: JobId,
        at: At = None,
        if_none_match: IfNoneMatch = None,
        accept: Accept = JSON,
    ) -> Response:
        """What was found and what comes next, or how it ended: JSON, or HTML that prints."""
        form = chosen(accept, (JSON, HTML))

        def tell(keeper: Keeper, log: JobLog) -> Response:
            going = keeper.replayed(log)
            page = sheet(going.job, going.job.advise())
            text = _page(going, page) if form == HTML else as_text(_plain_sheet(going, page))
            styled = STYLED if form == HTML else {}
            return Response(text, headers=styled, media_type=form)

        return await told(service, request, job, tell, have=if_none_match, at=at, form=form)

    @router.get(
        "/drawing",
        summary="The circuit of a job",
        response_class=Response,
        responses=problems.declared(*refused)
        | {200: {"headers": ETAG, "content": {SVG: {"schema": {"type": "string"}}}}}
        | UNCHANGED,
        operation_id="job_drawing",
    )
    async def job_drawing(
        request: Request, job: JobId, at: At = None, if_none_match: IfNoneMatch = None
    ) -> Response:
        """The circuit as SVG: suspects shaded, and where the next test probes."""

        def tell(keeper: Keeper, log: JobLog) -> Response:
            return Response(_drawing(service, keeper.replayed(log)), headers=STYLED, media_type=SVG)

        return await told(service, request, job, tell, have=if_none_match, at=at)

    return router


def _plain_sheet(going: Going, page: Sheet) -> dict[str, Any]:
    known = plain_job(going.kept)
    head = {name: known[name] for name in ("job", "shop_reference", "changed_at")}
    told: dict[str, Any] = plain(page)
    return head | told


def _page(going: Going, page: Sheet) -> str:
    """The sheet as a page; everything in it is text."""
    folder = FileSystemLoader(Path(__file__).parent)
    pages = Environment(loader=folder, autoescape=True, undefined=StrictUndefined)
    return pages.get_template("sheet.html").render(
        sheet=page, job=going.kept, when=f"{going.kept.changed_at:%Y-%m-%d %H:%M} UTC"
    )


def _drawing(service: Service, going: Going) -> str:
    machine, advice = going.job.machine, going.job.advise()
    shares: dict[str, float] = {}
    for suspect in advice.suspects:
        if suspect.part in machine.parts:
            shares[suspect.part] = shares.get(suspect.part, 0.0) + suspect.probability
    measured = advice.verdict.action in ("test", "recheck")
    shape = service.shapes.get(machine.content_hash, lambda: steady_shape(machine))
    test = machine.tests[advice.verdict.target] if measured else None
    return draw(machine, shares, test, shape=shape)
