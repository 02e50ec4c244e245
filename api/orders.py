"""`/v1/orders`: closed jobs as the two tables of the data dictionary, streamed."""

from collections.abc import Iterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.responses import Response, StreamingResponse
from pydantic import AwareDatetime

from diagnose.store.writers import WRITERS

from . import problems
from .accept import chosen
from .keys import READING_ORDERS, admitted, who_of
from .service import Service

FORMS = {
    "application/x-ndjson": "jsonl",
    "text/csv": "csv",
    "application/vnd.apache.parquet": "parquet",
}
"""Media type -> ending of such a file; JSON lines unless another is asked for."""

CONTENT = {
    form: {"schema": {"type": "string"} | ({"format": "binary"} if "parquet" in form else {})}
    for form in FORMS
}
Since = Annotated[
    AwareDatetime | None, Query(description="Only orders that were closed then or later.")
]
Accept = Annotated[str, Header(include_in_schema=False)]


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(
        prefix="/v1/orders",
        tags=["orders"],
        dependencies=[Depends(admitted(service.door, READING_ORDERS))],
    )
    responses = problems.declared(
        *(problems.NO_KEY, problems.FORBIDDEN, problems.NOT_ACCEPTABLE, problems.INVALID),
        *(problems.TOO_MANY, problems.BUSY, problems.STORE),
    ) | {200: {"description": "The table, in the form of `Accept`.", "content": CONTENT}}

    @router.get(
        "",
        summary="Closed jobs",
        response_class=Response,
        responses=responses,
        operation_id="orders",
    )
    async def orders(
        request: Request, since: Since = None, accept: Accept = "*/*"
    ) -> StreamingResponse:
        """The table `orders`, the first closed first; its columns stand in `columns.csv`."""
        return await _streamed(service, request, "orders", since, accept)

    @router.get(
        "/steps",
        summary="Steps of closed jobs",
        response_class=Response,
        responses=responses,
        operation_id="order_steps",
    )
    async def order_steps(
        request: Request, since: Since = None, accept: Accept = "*/*"
    ) -> StreamingResponse:
        """The table `steps` of the same jobs, in their order."""
        return await _streamed(service, request, "steps", since, accept)

    return router


async def _streamed(
    service: Service, request: Request, table: str, since: AwareDatetime | None, accept: str
) -> StreamingResponse:
    """A table piece by piece; the first is read before the answer begins, so that it can fail."""
    who, form = who_of(request), chosen(accept, tuple(FORMS))

    def begun() -> tuple[bytes, Iterator[bytes]]:
        store = service.keeping.store()
        rows = (store.orders if table == "orders" else store.order_steps)(who.shop, since)
        pieces = WRITERS[FORMS[form]](table, rows)
        return next(pieces, b""), pieces

    first, rest = await service.slots.run(request, begun)

    def all_of_it() -> Iterator[bytes]:
        yield first
        yield from rest

    name = f"{table}.{FORMS[form]}"
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(all_of_it(), media_type=form, headers=headers)
