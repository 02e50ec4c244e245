"""`/healthz`, `/readyz` and `/metrics`: for who runs the service."""

from __future__ import annotations

from typing import TYPE_CHECKING

import anyio.to_thread
from fastapi import APIRouter
from fastapi.responses import PlainTextResponse, Response

from .metrics import MEDIA_TYPE
from .problems import NOT_READY, STORE, STUCK, declared, respond
from .shapes import Health, Readiness

if TYPE_CHECKING:
    from .service import Service

LATER = {"retry-after": "5"}


def make_router(service: Service) -> APIRouter:
    """The endpoints."""
    router = APIRouter(tags=["health"])

    @router.get(
        "/healthz",
        summary="The service answers",
        responses=declared(STUCK),
        operation_id="health",
    )
    async def health() -> Health:
        """Answers while the processes that answer are alive and not stuck."""
        return Health(status="ok")

    @router.get(
        "/readyz",
        summary="The service is ready",
        response_model=Readiness,
        responses=declared(NOT_READY, STORE),
        operation_id="readiness",
    )
    async def readiness() -> Response | Readiness:
        """Answers once every machine is ready and the store can be read."""
        warmth = service.shelf.warmth
        if not await anyio.to_thread.run_sync(service.keeping.usable):
            return respond(STORE, "the store cannot be opened or read", headers=LATER)
        if not warmth.over:
            said = f"{len(warmth.ready)} machines are ready, the others are on their way"
            return respond(NOT_READY, said, headers=LATER)
        return Readiness(
            status="ready", machines=len(warmth.ready), unusable=sorted(warmth.unusable)
        )

    @router.get(
        "/metrics",
        summary="Counters",
        response_class=PlainTextResponse,
        operation_id="metrics",
    )
    async def metrics() -> Response:
        """Requests, seconds, verdicts and cache bytes of all processes, for Prometheus."""
        text = await anyio.to_thread.run_sync(lambda: service.metrics.text(service.held()))
        return Response(text, media_type=MEDIA_TYPE)

    return router
