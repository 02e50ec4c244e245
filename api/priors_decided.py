"""`/v1/machines/{machine}/priors`: priors that an analyst takes, and goes back from."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Header, Request
from fastapi.responses import Response

from diagnose.errors import NotKeptError
from diagnose.store.records import ANALYST

from . import problems
from .again import IdempotencyKey, Written, once, request_key
from .content_type import json_only
from .job_words import as_text
from .keys import Who, admitted, who_of
from .priors import (
    JSON,
    PREFIX,
    REFUSED,
    SENDING,
    TAG,
    MachineId,
    of_machine,
    tagged,
    usable,
    with_adoption,
)
from .priors_shapes import PriorsGiven, PriorsOfAdoption, PriorsOfMachine, RolledBackGiven
from .refusals import NoConditionError, NoPriorsError, OtherPriorsHoldError
from .service import Service

IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        max_length=100,
        pattern=r'^(\*|"[0-9]{1,10}(-[0-9a-f]{8})?(-gzip)?")$',
        description='The `ETag` of the machine\'s priors as they were read, such as `"3"`; `*` for '
        "whichever hold.",
    ),
]
NOBODY = "whoever was at the bench"

WRITING = (
    *(problems.OTHER_PRIORS, problems.NO_CONDITION),
    *(problems.KEY_REUSED, problems.IN_FLIGHT),
)


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(prefix=PREFIX, tags=["priors"])

    @router.post(
        "",
        summary="Take a priors file",
        status_code=201,
        response_model=PriorsOfAdoption,
        responses=problems.declared(*REFUSED, *SENDING, *WRITING)
        | {201: {"description": "It holds.", "headers": TAG}},
        dependencies=[Depends(json_only), Depends(admitted(service.door, (ANALYST,)))],
        operation_id="adopt_priors",
    )
    async def adopt_priors(
        request: Request,
        machine: MachineId,
        given: Annotated[PriorsGiven, Body()],
        if_match: IfMatch = None,
        idempotency_key: IdempotencyKey = None,
    ) -> Response:
        """Jobs that are opened from now on have these figures; those that are open keep theirs."""
        who, expected = who_of(request), _expected(if_match)
        body = await request.body() + f"\n{if_match}".encode()
        key = request_key(request, idempotency_key, body)

        def write() -> Written:
            known, store = service.shelf.machine(machine), service.keeping.store()
            usable(service, known, given.text)
            by = given.by or who.name or NOBODY
            with OtherPriorsHoldError.told():
                made = store.adopt_priors(who.shop, machine, given.text, by, instead_of=expected)
            told = with_adoption(service, known, made, given.text, holds=(made, given.text))
            return Written(201, tagged(made.adoption), as_text(told))

        return await _written(service, request, who, key, write)

    @router.post(
        "/roll-back",
        summary="Go back to the priors before",
        response_model=PriorsOfMachine,
        responses=problems.declared(
            *(*REFUSED, *WRITING, problems.NO_PRIORS, problems.FORBIDDEN),
            *(problems.UNREADABLE, problems.TOO_LONG, problems.WRONG_TYPE),
        )
        | {200: {"headers": TAG}},
        dependencies=[Depends(json_only), Depends(admitted(service.door, (ANALYST,)))],
        operation_id="roll_back_priors",
    )
    async def roll_back_priors(
        request: Request,
        machine: MachineId,
        given: Annotated[RolledBackGiven, Body()],
        if_match: IfMatch = None,
        idempotency_key: IdempotencyKey = None,
    ) -> Response:
        """To those taken before, or at last to the file's own; jobs that are open keep theirs."""
        who, expected = who_of(request), _expected(if_match)
        body = await request.body() + f"\n{if_match}".encode()
        key = request_key(request, idempotency_key, body)

        def write() -> Written:
            service.shelf.file(machine)  # an id, never a path
            by = given.by or who.name or NOBODY
            try:
                with OtherPriorsHoldError.told():
                    service.keeping.store().roll_back_priors(
                        who.shop, machine, by, instead_of=expected
                    )
            except NotKeptError as error:
                raise NoPriorsError(str(error)) from None
            told = of_machine(service, who, machine)
            return Written(200, {"etag": told.headers["etag"]}, bytes(told.body).decode())

        return await _written(service, request, who, key, write)

    return router


def _expected(if_match: str | None) -> int | None:
    """Number of the adoption that was read; None for whichever holds.

    Raises:
        NoConditionError: it is not said.
    """
    if if_match is None:
        raise NoConditionError('say which priors were read: `If-Match` with the `ETag`, e.g. "3"')
    return None if if_match == "*" else int(if_match.strip('"').partition("-")[0])


async def _written(service: Service, request: Request, who: Who, key: Any, write: Any) -> Response:
    """The answer of a request that writes, now or as it was before."""
    done = await service.slots.run(
        request, lambda: once(service.keeping.store(), who.shop, key, write), dear=True
    )
    return Response(done.body, status_code=done.status, headers=done.headers, media_type=JSON)
