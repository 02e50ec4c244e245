"""`/v1/machines/{machine}/priors`: which priors a shop's new jobs are opened with."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Path, Request
from fastapi.responses import Response

from diagnose.errors import (
    NotKeptError,
    PriorsFileError,
    PriorsMismatchError,
)
from diagnose.machine.model import Machine
from diagnose.machine.overlay import Overlay
from diagnose.rule.prepared import prepared
from diagnose.store.records import ANALYST, Adoption

from . import problems
from .content_type import json_only
from .job_words import as_text
from .keys import Who, admitted, who_of
from .priors_shapes import (
    PriorsGiven,
    PriorsOfAdoption,
    PriorsOfMachine,
    PriorsTold,
)
from .priors_words import adoption_told, adoptions_told, kept_told, overlay_told
from .refusals import (
    NoPriorsError,
    PriorsUnfitError,
    PriorsUnusableError,
)
from .service import Service
from .tags import UNCHANGED, IfNoneMatch, told_tag, unchanged

JSON = "application/json"
MachineId = Annotated[str, Path(description="Id of the machine.", max_length=100)]
Number = Annotated[int, Path(ge=1, le=2**31 - 1, description="Number of the adoption.")]
TAG = {
    "ETag": {
        "description": "Number of the adoption that holds, in quotes, 0 for the file's own; behind "
        "a dash what else the answer depends on. Either goes into `If-Match`.",
        "schema": {"type": "string"},
    }
}

PREFIX = "/v1/machines/{machine}/priors"
REFUSED = (
    *(problems.NO_KEY, problems.UNKNOWN_MACHINE, problems.INVALID, problems.TOO_MANY),
    *(problems.MACHINE_FILE, problems.BUSY, problems.STORE),
)
SENDING = (
    *(problems.FORBIDDEN, problems.UNREADABLE, problems.TOO_LONG, problems.WRONG_TYPE),
    *(problems.PRIORS_FILE, problems.PRIORS_MISMATCH),
)


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(prefix=PREFIX, tags=["priors"])
    reading = [Depends(admitted(service.door))]
    deciding = [Depends(admitted(service.door, (ANALYST,)))]

    @router.get(
        "",
        summary="Priors of a machine",
        response_model=PriorsOfMachine,
        responses=problems.declared(*REFUSED)
        | {200: {"headers": TAG}, 304: UNCHANGED[304] | {"headers": TAG}},
        dependencies=reading,
        operation_id="priors",
    )
    async def priors(
        request: Request, machine: MachineId, if_none_match: IfNoneMatch = None
    ) -> Response:
        """What new jobs of the shop are opened with, beside the file, and what was before."""
        who = who_of(request)

        def told() -> Response:
            whole = of_machine(service, who, machine)
            return unchanged(if_none_match, whole.headers["etag"]) or whole

        return await service.slots.run(request, told)

    @router.get(
        "/{adoption}",
        summary="Priors that were taken",
        response_model=PriorsOfAdoption,
        responses=problems.declared(*REFUSED, problems.NO_PRIORS),
        dependencies=reading,
        operation_id="adoption",
    )
    async def adoption(request: Request, machine: MachineId, adoption: Number) -> Response:
        """Priors that the shop took once, beside the machine's file as it is now."""
        who = who_of(request)

        def told() -> Response:
            known, store = service.shelf.machine(machine), service.keeping.store()
            held = store.current_priors(who.shop, machine)
            try:
                made, text = store.adoption(who.shop, machine, adoption)
            except NotKeptError as error:
                raise NoPriorsError(str(error)) from None
            return answer(with_adoption(service, known, made, text, holds=held))

        return await service.slots.run(request, told)

    @router.post(
        "/check",
        summary="Look at a priors file",
        response_model=PriorsTold,
        responses=problems.declared(*REFUSED, *SENDING),
        dependencies=[Depends(json_only), *deciding],
        operation_id="check_priors",
    )
    async def check_priors(
        request: Request, machine: MachineId, given: Annotated[PriorsGiven, Body()]
    ) -> Response:
        """What a priors file would change, beside the machine's file. Nothing is kept."""

        def told() -> Response:
            known = service.shelf.machine(machine)
            return answer(overlay_told(known, usable(service, known, given.text)))

        return await service.slots.run(request, told, dear=True)

    return router


def answer(content: Any, headers: dict[str, str] | None = None) -> Response:
    """Plain data as an answer."""
    return Response(as_text(content), headers=headers, media_type=JSON)


def tagged(adoption: int) -> dict[str, str]:
    """The headers with the number of the adoption that holds; 0 for none."""
    return {"etag": f'"{adoption}"'}


def usable(service: Service, machine: Machine, text: str) -> Overlay:
    """The priors of a text that jobs can be opened with.

    Raises:
        PriorsUnusableError: it has problems, or nothing could be advised with it.
        PriorsUnfitError: it was made for another machine, version or file.
    """
    try:
        overlay = service.keeping.overlay(machine, text)
    except PriorsFileError as error:
        raise PriorsUnusableError(error.problems) from None
    except PriorsMismatchError as error:
        raise PriorsUnfitError(str(error)) from None
    prepared(overlay.applied(machine))
    return overlay


def of_machine(service: Service, who: Who, name: str) -> Response:
    """The priors of a machine in a shop: those that hold, and all that were taken."""
    machine, store = service.shelf.machine(name), service.keeping.store()
    held, made = store.current_priors(who.shop, name), store.adoptions(who.shop, name)
    number = 0 if held is None else held[0].adoption
    content = {
        "machine": machine.id,
        "title": machine.title,
        "machine_version": machine.version,
        "machine_hash": machine.content_hash,
        "may_decide": ANALYST in who.roles,
        "in_use": None if held is None else with_adoption(service, machine, *held, holds=held),
        "adoptions": adoptions_told(made, number),
    }
    tag = told_tag(number, machine.content_hash, *sorted(who.roles))
    return answer(content, {"etag": tag})


def with_adoption(
    service: Service,
    machine: Machine,
    made: Adoption,
    text: str,
    *,
    holds: tuple[Adoption, str] | None,
) -> dict[str, Any]:
    """Priors that were taken, as plain data; `holds` are those that hold."""
    it_does = holds is not None and holds[0].adoption == made.adoption
    told = kept_told(service.keeping, machine, text)
    return told | {"adoption": adoption_told(made, holds=it_does)}
