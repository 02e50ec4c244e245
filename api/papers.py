"""What is told of a kept job: advice, finding sheet, drawing."""

from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Request
from fastapi.responses import Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from diagnose.advice.plain import plain
from diagnose.circuit.drawing import draw
from diagnose.paper.sheet import Sheet, sheet
from diagnose.store.keeper import Going

from . import problems
from .accept import chosen
from .advice import Count, advice_of
from .job_shapes import SheetTold
from .job_words import as_text, tagged
from .job_words import plain as plain_job
from .jobs import JSON, TAG, JobId
from .keys import WORKING, admitted, who_of
from .service import Service, Told
from .shapes import Answer

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
    )

    @router.get(
        "/advice",
        summary="What to do next on a job",
        response_model=Answer,
        responses=problems.declared(*refused) | {200: {"headers": TAG}},
        operation_id="job_advice",
    )
    async def job_advice(
        request: Request, job: JobId, tests: Count = None, suspects: Count = None
    ) -> Response:
        """As `POST /v1/advice`, from the steps that are kept."""
        who = who_of(request)

        def told() -> tuple[Told, dict[str, str]]:
            kept = service.keeping.store().job(who.shop, job)
            key = (who.shop, job, kept.version, suspects, tests)

            def worked_out() -> Told:
                with service.metrics.advice_seconds.time():
                    going = service.keeping.keeper(who.shop).job(job)
                    content, action = advice_of(going.job, suspects, tests)
                return Told(as_text(content).encode(), action)

            return service.answers.get(key, worked_out), tagged(kept)

        answer, headers = await service.slots.run(request, told, dear=service.warming)
        service.metrics.verdicts.labels(answer.action).inc()
        return Response(answer.body, headers=headers, media_type=JSON)

    @router.get(
        "/sheet",
        summary="The finding sheet of a job",
        response_model=SheetTold,
        responses=problems.declared(*refused, problems.NOT_ACCEPTABLE)
        | {200: {"headers": TAG, "content": {HTML: {"schema": {"type": "string"}}}}},
        operation_id="job_sheet",
    )
    async def job_sheet(request: Request, job: JobId, accept: Accept = JSON) -> Response:
        """What was found and what comes next, or how it ended: JSON, or HTML that prints."""
        who, form = who_of(request), chosen(accept, (JSON, HTML))

        def told() -> Response:
            going = service.keeping.keeper(who.shop).job(job)
            page = sheet(going.job, going.job.advise())
            headers = tagged(going.kept)
            if form == HTML:
                text, headers = _page(going, page), headers | STYLED
            else:
                text = as_text(_plain_sheet(going, page))
            return Response(text, headers=headers, media_type=form)

        return await service.slots.run(request, told, dear=service.warming)

    @router.get(
        "/drawing",
        summary="The circuit of a job",
        response_class=Response,
        responses=problems.declared(*refused)
        | {200: {"headers": TAG, "content": {SVG: {"schema": {"type": "string"}}}}},
        operation_id="job_drawing",
    )
    async def job_drawing(request: Request, job: JobId) -> Response:
        """The circuit as SVG: suspects shaded, and where the next test probes."""
        who = who_of(request)

        def told() -> Response:
            going = service.keeping.keeper(who.shop).job(job)
            return Response(_drawing(going), headers=tagged(going.kept) | STYLED, media_type=SVG)

        return await service.slots.run(request, told, dear=service.warming)

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


def _drawing(going: Going) -> str:
    machine, advice = going.job.machine, going.job.advise()
    shares: dict[str, float] = {}
    for suspect in advice.suspects:
        if suspect.part in machine.parts:
            shares[suspect.part] = shares.get(suspect.part, 0.0) + suspect.probability
    measured = advice.verdict.action in ("test", "recheck")
    return draw(machine, shares, machine.tests[advice.verdict.target] if measured else None)
