"""The application; built on call, never at import."""

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

import anyio.to_thread
from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from diagnose.errors import DiagnoseError

from .advice import advice_router
from .examples import add_examples
from .health import health_router
from .limits import BodyLimit
from .machines import machines_router
from .problems import FAULT, INVALID, UNREADABLE, Problem, from_error, from_http, respond
from .settings import Settings
from .shelf import Shelf

DESCRIPTION = (
    "Takes a complaint and what was found so far on a machine that will not start; answers with "
    "the likeliest failed parts, the tests ranked by what they tell per minute, and what to do "
    "now. Stateless. What it says gives way to the maker's manual, local codes and licensed "
    "practice."
)


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
        docs_url=None,
        redoc_url=None,
    )
    slot = Depends(_take_a_slot, scope="function", max_concurrency=chosen.max_concurrency)
    app.include_router(advice_router(shelf, slot))
    app.include_router(machines_router(shelf, slot))
    app.include_router(health_router())
    app.add_middleware(BodyLimit, max_bytes=chosen.max_body_bytes)
    _handle_errors(app)
    _describe(app, shelf)
    return app


async def _take_a_slot() -> AsyncIterator[None]:
    """Held while an endpoint computes; how many there are is said where it is depended on."""
    yield


def _handle_errors(app: FastAPI) -> None:
    @app.exception_handler(DiagnoseError)
    async def refused(_: Request, error: DiagnoseError) -> Response:
        return from_error(error)

    @app.exception_handler(HTTPException)
    async def plain(_: Request, error: HTTPException) -> Response:
        return from_http(error)

    @app.exception_handler(RequestValidationError)
    async def invalid(_: Request, error: RequestValidationError) -> Response:
        return _from_validation(error)

    @app.exception_handler(Exception)
    async def fault(_: Request, error: Exception) -> Response:  # noqa: ARG001  logged by the server
        return respond(FAULT, "the request could not be answered; the service's log says why")


def _from_validation(error: RequestValidationError) -> Response:
    """The first thing that does not fit, and how many more there are."""
    found = error.errors()
    first = found[0]
    if first["type"] == "json_invalid":
        said = first.get("ctx", {}).get("error", "cannot be read")
        return respond(UNREADABLE, f"the body is not JSON: {said}", place="body")
    place = "".join(
        f"[{step}]" if isinstance(step, int) else f".{step}" for step in first["loc"][1:]
    ).lstrip(".")
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    met = first.get("input")
    return respond(
        INVALID,
        f"{place or 'body'}: {first['msg'].removeprefix('Value error, ')}{more}",
        place=place or "body",
        met=met if isinstance(met, str | int | float) else None,
    )


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
