"""`GET /healthz`: the service answers."""

from fastapi import APIRouter

from .shapes import Health


def health_router() -> APIRouter:
    """The endpoint; it never waits for the work of others."""
    router = APIRouter(tags=["health"])

    @router.get("/healthz", summary="The service answers", operation_id="health")
    async def health() -> Health:
        """Answers while the process is alive and not stuck."""
        return Health(status="ok")

    return router
