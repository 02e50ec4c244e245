"""`/v1/machines`: what can be asked about."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Depends, Path, Request
from fastapi.responses import Response

from .keys import admitted
from .machine_shapes import MachineDetails, MachineEntry, Machines
from .problems import (
    BUSY,
    INVALID,
    MACHINE_FILE,
    NO_KEY,
    TOO_MANY,
    UNKNOWN_MACHINE,
    declared,
)

if TYPE_CHECKING:
    from .service import Service

MachineId = Annotated[str, Path(description="Id of the machine.", max_length=100)]


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(
        prefix="/v1/machines", tags=["machines"], dependencies=[Depends(admitted(service.door))]
    )
    shelf, slots = service.shelf, service.slots

    @router.get(
        "",
        summary="All machines",
        response_model=Machines,
        responses=declared(MACHINE_FILE, NO_KEY, TOO_MANY, BUSY),
        operation_id="machines",
    )
    async def machines(request: Request) -> Response:
        """Id, title and version of every machine."""

        def listed() -> bytes:
            entries = [MachineEntry.model_validate(shelf.machine(name)) for name in shelf.names()]
            return Machines(machines=entries).model_dump_json().encode()

        return Response(await slots.run(request, listed), media_type="application/json")

    @router.get(
        "/{machine}",
        summary="One machine",
        response_model=MachineDetails,
        responses=declared(UNKNOWN_MACHINE, INVALID, MACHINE_FILE, NO_KEY, TOO_MANY, BUSY),
        operation_id="machine",
    )
    async def machine(request: Request, machine: MachineId) -> Response:
        """Its complaints, parts and repairs, tests with outcomes and units, tools and areas."""

        def told() -> bytes:
            return MachineDetails.of(shelf.machine(machine)).model_dump_json().encode()

        return Response(await slots.run(request, told), media_type="application/json")

    return router
