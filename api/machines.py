"""`GET /v1/machines` and `GET /v1/machines/{machine}`: what can be asked about."""

from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.params import Depends as Dependency

from .catalogue import machine_details, machine_entry
from .problems import INVALID, MACHINE_FILE, UNKNOWN_MACHINE, declared
from .shapes import MachineDetails, Machines
from .shelf import Shelf

MachineId = Annotated[str, Path(description="Id of the machine.", max_length=100)]


def machines_router(shelf: Shelf, slot: Dependency) -> APIRouter:
    """Both endpoints, with their work limited by `slot`."""
    router = APIRouter(tags=["machines"], prefix="/v1/machines", dependencies=[slot])

    @router.get(
        "",
        summary="All machines",
        response_model=Machines,
        responses=declared(MACHINE_FILE),
        operation_id="machines",
    )
    def machines() -> dict[str, Any]:
        """Id, title and version of every machine."""
        return {"machines": [machine_entry(shelf.machine(name)) for name in shelf.names()]}

    @router.get(
        "/{machine}",
        summary="One machine",
        response_model=MachineDetails,
        responses=declared(UNKNOWN_MACHINE, INVALID, MACHINE_FILE),
        operation_id="machine",
    )
    def machine(machine: MachineId) -> dict[str, Any]:
        """Its complaints, tests with their outcomes and units, tools, areas and cautions."""
        return machine_details(shelf.machine(machine))

    return router
