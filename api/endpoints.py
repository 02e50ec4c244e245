"""What can be asked: advice on a job, the machines, whether the service answers."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path
from fastapi.params import Depends as Dependency

from .problems import CLASH, INVALID, MACHINE_FILE, TOO_LONG, UNKNOWN_MACHINE, UNREADABLE, declared
from .shapes import Answer, Health, MachineDetails, MachineEntry, Machines, Question
from .shelf import Shelf


def make_router(shelf: Shelf, slot: Dependency) -> APIRouter:
    """All endpoints; the work of those that compute is limited by `slot`."""
    router = APIRouter()

    @router.post(
        "/v1/advice",
        tags=["advice"],
        summary="What to do next",
        response_model=Answer,
        response_model_exclude_unset=True,
        responses=declared(UNREADABLE, UNKNOWN_MACHINE, CLASH, TOO_LONG, INVALID, MACHINE_FILE),
        dependencies=[slot],
        operation_id="advice",
    )
    def advise(question: Annotated[Question, Body()]) -> dict[str, Any]:
        """Beliefs about every failure mode, all tests ranked by bits per minute, and a verdict.

        The answer depends on the request alone. It gives way to the maker's manual, local codes
        and licensed practice.
        """
        job = shelf.job(question)
        advice = job.advise()
        answer = advice.to_dict()
        if question.look_further and advice.verdict.action != "done":
            answer["look_further"] = job.look_further(question.budget_ms / 1000.0).to_dict()
        return answer

    @router.get(
        "/v1/machines",
        tags=["machines"],
        summary="All machines",
        responses=declared(MACHINE_FILE),
        dependencies=[slot],
        operation_id="machines",
    )
    def machines() -> Machines:
        """Id, title and version of every machine."""
        entries = [MachineEntry.model_validate(shelf.machine(name)) for name in shelf.names()]
        return Machines(machines=entries)

    @router.get(
        "/v1/machines/{machine}",
        tags=["machines"],
        summary="One machine",
        responses=declared(UNKNOWN_MACHINE, INVALID, MACHINE_FILE),
        dependencies=[slot],
        operation_id="machine",
    )
    def machine(
        machine: Annotated[str, Path(description="Id of the machine.", max_length=100)],
    ) -> MachineDetails:
        """Its complaints, tests with their outcomes and units, tools, areas and cautions."""
        return MachineDetails.of(shelf.machine(machine))

    @router.get("/healthz", tags=["health"], summary="The service answers", operation_id="health")
    async def health() -> Health:
        """Answers while the process is alive and not stuck."""
        return Health(status="ok")

    return router
