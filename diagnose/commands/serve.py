"""`diagnose serve`: the same answers over HTTP."""

import contextlib
import os
import shutil
import socket
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json

KEYS, METRICS = "NOSTART_KEYS", "NOSTART_METRICS"
APP = "diagnose.api.app:create_app"
LOOP = "diagnose.api.taking:TakingLoop"

KEEP_ALIVE_SECONDS = 30


def serve(
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[
        int,
        typer.Option("--port", min=0, max=65_535, help="Port to listen on; 0 takes a free one."),
    ] = 8000,
    workers: Annotated[
        int, typer.Option("--workers", min=1, max=64, help="Processes that answer.")
    ] = 1,
    json: options.Json = False,
) -> None:
    """Answer over HTTP; OpenAPI is at /openapi.json."""
    import uvicorn  # noqa: PLC0415  the server and its framework load on use only

    from diagnose.api.address import check_address, is_loopback, listener_on  # noqa: PLC0415
    from diagnose.api.keeping import are_there_keys  # noqa: PLC0415
    from diagnose.api.logs import SERVER_LOG  # noqa: PLC0415
    from diagnose.api.settings import Settings  # noqa: PLC0415

    settings = Settings.from_environment()
    keys = are_there_keys(settings.store)
    check_address(host, keys=keys)
    if not is_loopback(host):
        os.environ[KEYS] = "always"  # whoever revokes the last key has not opened the door
    with listener_on(host, port) as listener:
        taken = listener.getsockname()[1]
        config = uvicorn.Config(
            APP,
            factory=True,
            loop=LOOP,
            workers=workers,
            log_config=SERVER_LOG,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_worker_healthcheck=30,
            timeout_keep_alive=KEEP_ALIVE_SECONDS,
            timeout_graceful_shutdown=settings.graceful_seconds,
        )
        if json:
            print_json({"host": host, "port": taken})
            sys.stdout.flush()
        else:
            sys.stderr.write(
                f"http://{f'[{host}]' if ':' in host else host}:{taken}/openapi.json\n"
            )
        _run(config, listener)


def _run(config: Any, listener: Any) -> None:
    """Serve until told to stop: this process accepts, others answer."""
    from uvicorn.supervisors import Multiprocess  # noqa: PLC0415

    from diagnose.api.front import Front  # noqa: PLC0415
    from diagnose.api.logs import make_log  # noqa: PLC0415
    from diagnose.api.metrics import Metrics  # noqa: PLC0415

    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with near, far, _counted_together() as folder:
        several = Multiprocess(config, sockets=[far])
        front = Front(listener, near, several.should_exit.is_set, make_log(), Metrics(folder))
        faults = list[Exception]()

        def accept() -> None:
            try:
                front.run()
            except Exception as error:
                faults.append(error)
            several.should_exit.set()  # nobody would be answered any more

        accepting = threading.Thread(target=accept, name="front", daemon=True)
        accepting.start()
        several.run()
        accepting.join(2.0)
        for fault in faults:
            raise fault


@contextlib.contextmanager
def _counted_together() -> Iterator[Path | None]:
    """The folder in which the processes tell each other what they counted.

    Where none can be made, each counts for itself.
    """
    named = os.environ.get(METRICS)
    try:
        made = Path(named or tempfile.mkdtemp(prefix="nostart-counts-"))
    except OSError:
        yield None
        return
    os.environ[METRICS] = str(made)
    try:
        yield made
    finally:
        if named is None:
            os.environ.pop(METRICS)
            shutil.rmtree(made, ignore_errors=True)
