"""What is worked out from a kept job: in its slot, as it is or was, and only where it is wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, TypeVar

from fastapi import Query

from diagnose.errors import NotReadyError

from .keys import who_of
from .tags import told_tag, unchanged

if TYPE_CHECKING:
    from collections.abc import Callable

    from fastapi import Request
    from fastapi.responses import Response

    from diagnose.store.keeper import Keeper
    from diagnose.store.records import JobLog

    from .service import Service

Result = TypeVar("Result")

At = Annotated[
    int | None,
    Query(
        ge=0,
        le=1_000_000,
        description="Version of the job at which it is wanted: after so many of its steps, with "
        "the machine file and the priors of then. Left out: now.",
    ),
]


async def with_keeper(
    service: Service, request: Request, work: Callable[[Keeper], Result], *, dear: bool = False
) -> Result:
    """What some work with the shop's jobs gives, in a slot by what it takes.

    A machine file or priors that this process has not met yet are made ready in a dear slot.
    """
    shop, keeping = who_of(request).shop, service.keeping
    if not (dear or service.warming):
        try:
            return await service.slots.run(
                request, lambda: work(keeping.keeper(shop, only_known=True))
            )
        except NotReadyError:
            pass
    return await service.slots.run(request, lambda: work(keeping.keeper(shop)), dear=True)


async def told(
    service: Service,
    request: Request,
    job: str,
    tell: Callable[[Keeper, JobLog], Response],
    *,
    have: str | None,
    at: int | None = None,
    form: str = "",
) -> Response:
    """The answer about a job, or that the client has it.

    Args:
        service: of the application.
        request: who asks has been admitted.
        job: id of the job.
        tell: makes the answer from the job's log.
        have: the field `If-None-Match`.
        at: version at which it is wanted; None for now.
        form: what was chosen by other fields than the address.
    """

    def worked_out(keeper: Keeper) -> Response:
        log = keeper.store.log(keeper.shop, job, at)
        tag = told_tag(log.job.version, form)
        response = unchanged(have, tag)
        if response is None:
            response = tell(keeper, log)
            response.headers["etag"] = tag
        if form:
            response.headers["vary"] = "Accept"
        return response

    return await with_keeper(service, request, worked_out)
