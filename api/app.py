"""The application; built on call, never at import."""

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

import anyio.to_thread
from fastapi import Depends, FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from diagnose.errors import DiagnoseError

from .endpoints import make_router
from .examples import add_examples
from .limits import BodyLimit
from .problems import Problem, from_error, from_fault, from_http, from_validation
from .settings import Settings
from .shelf import Shelf

DESCRIPTION = (
    "Takes a complaint and what was found so far on a machine that will not start; answers with "
    "the likeliest failed parts, the tests ranked by what they tell per minute, and what to do "
    "now. Stateless. What it says gives way to the maker's manual, local codes and licensed "
    "practice."
)


HANDLERS: dict[int | type[Exception], Any] = {
    DiagnoseError: from_error,
    HTTPException: from_http,
    RequestValidationError: from_validation,
    Exception: from_fault,
}


def create_app(settings: Settings | None = None) -> FastAPI:
    """The application for some settings; default: those of the environment."""
    chosen = settings or Settings()
    shelf = Shelf(chosen.machines)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        await anyio.to_thread.run_sync(shelf.warm)
        await anyio.to_thread.run_sync(app.openapi)
        yield

    app = FastAPI(
        title="nostart-diagnose",
        version=version("nostart-diagnose"),
        description=DESCRIPTION,
        lifespan=lifespan,
        exception_handlers=HANDLERS,
        docs_url=None,
        redoc_url=None,
    )
    slot = Depends(_take_a_slot, scope="function", max_concurrency=chosen.max_concurrency)
    app.include_router(make_router(shelf, slot))
    app.add_middleware(BodyLimit, max_bytes=chosen.max_body_bytes)
    _describe(app, shelf)
    return app


async def _take_a_slot() -> AsyncIterator[None]:
    """Held while an endpoint computes; how many there are is said where it is depended on."""
    yield


def _describe(app: FastAPI, shelf: Shelf) -> None:
    """Complete the OpenAPI document on first use: problem documents, worked examples."""
    basic, lock = app.openapi, threading.Lock()

    def openapi() -> dict[str, Any]:
        with lock:
            document = basic()
            schemas = document["components"]["schemas"]
            if "Problem" not in schemas:
                schemas["Problem"] = Problem.model_json_schema()
                add_examples(document, shelf)
            return document

    app.openapi = openapi  # type: ignore[method-assign]
