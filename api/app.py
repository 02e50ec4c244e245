"""The application; built on call, never at import."""

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, TextIO

import anyio.to_thread
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from diagnose.errors import DiagnoseError

from . import (
    advice,
    at_bench,
    bench,
    health,
    jobs,
    machines,
    orders,
    papers,
    priors,
    priors_decided,
)
from .counts import WRITTEN_EVERY_SECONDS
from .examples import add_examples, add_security
from .keeping import Keeping
from .keys import Door
from .limits import BodyLimit
from .logs import make_log
from .metrics import Metrics
from .outer import Outer
from .page import mount_page
from .problems import Problem, from_error, from_http, from_validation
from .service import Service
from .settings import Settings
from .shelf import Shelf
from .slots import Slots
from .tags import SqueezedTags

DESCRIPTION = (
    "Takes a complaint and what was found so far on a machine that will not start; answers with "
    "the likeliest failed parts, the tests ranked by what they tell per minute, and what to do "
    "now. What it says gives way to the maker's manual, local codes and licensed practice."
)

HANDLERS: dict[int | type[Exception], Any] = {
    DiagnoseError: from_error,
    HTTPException: from_http,
    RequestValidationError: from_validation,
}

SWITCH_SECONDS = 0.001
"""So long a thread that computes keeps others waiting; by default it is five times that, and quick
answers would wait several times over."""

COMPRESSED_BYTES = 2_000
"""Answers from so many bytes on are compressed for who takes it."""


def create_app(settings: Settings | None = None, log: TextIO | None = None) -> FastAPI:
    """The application.

    Args:
        settings: default: those of the environment.
        log: where lines of JSON go; default: standard error.

    Raises:
        SettingError: one of the environment's cannot be.
    """
    service = _service(settings or Settings.from_environment(), log)
    app = FastAPI(
        title="nostart-diagnose",
        version=program_version(),
        description=DESCRIPTION,
        lifespan=_lifespan(service),
        exception_handlers=HANDLERS,
        redirect_slashes=False,
        docs_url=None,
        redoc_url=None,
    )
    for noun in (
        advice,
        machines,
        jobs,
        papers,
        bench,
        at_bench,
        priors,
        priors_decided,
        orders,
        health,
    ):
        app.include_router(noun.make_router(service))
    mount_page(app)
    app.add_middleware(BodyLimit, max_bytes=service.settings.max_body_bytes)
    app.add_middleware(GZipMiddleware, minimum_size=COMPRESSED_BYTES, compresslevel=5)
    app.add_middleware(SqueezedTags)
    app.add_middleware(Outer, log=service.log, metrics=service.metrics)
    _describe(app)
    return app


def _service(settings: Settings, log: TextIO | None) -> Service:
    shelf = Shelf(settings.machines)
    keeping = Keeping(settings.store, shelf)
    return Service(
        settings=settings,
        shelf=shelf,
        keeping=keeping,
        door=Door(keeping, settings.requests_per_minute, keys_always=settings.keys == "always"),
        slots=Slots(
            settings.cheap_slots, settings.dear_slots, settings.waiting, settings.deadline_seconds
        ),
        metrics=Metrics(settings.metrics),
        log=make_log(log),
    )


def _lifespan(service: Service) -> Any:
    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        """The port answers at once; machines are made ready beside it, and that can be stopped."""
        stop, before = threading.Event(), sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_SECONDS)

        def warm() -> None:
            try:
                app.openapi()
                service.shelf.warm(stop)
            except Exception as error:
                service.log.warning("warm-up", error=type(error).__name__)

        def count() -> None:
            while not stop.wait(WRITTEN_EVERY_SECONDS):
                service.metrics.note(service.held())
                service.metrics.tell()

        warming = threading.Thread(target=warm, name="warm-up", daemon=True)
        warming.start()
        counting = threading.Thread(target=count, name="counts", daemon=True)
        if service.settings.metrics is not None:
            counting.start()
        _end_with_parent()
        yield
        stop.set()
        with contextlib.suppress(TimeoutError):
            await anyio.to_thread.run_sync(lambda: warming.join(2.0))
        service.keeping.close()
        service.metrics.close()
        sys.setswitchinterval(before)

    return lifespan


def _end_with_parent() -> None:
    """Let one process of several end when that which began it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=wait, name="parent", daemon=True).start()


def program_version() -> str:
    """Version of this program; a copy that is not installed has none."""
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

    try:
        return version("nostart-diagnose")
    except PackageNotFoundError:
        return "0"


def _describe(app: FastAPI) -> None:
    """Complete the OpenAPI document on first use: problem documents, worked examples."""
    basic, lock = app.openapi, threading.Lock()

    def openapi() -> dict[str, Any]:
        with lock:
            document = basic()
            schemas = document["components"]["schemas"]
            if "Problem" not in schemas:
                shape = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
                schemas |= shape.pop("$defs")
                schemas["Problem"] = shape
                add_examples(document)
                add_security(document)
            return document

    app.openapi = openapi  # type: ignore[method-assign]
