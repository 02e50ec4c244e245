"""`diagnose serve`: the same answers over HTTP."""

import os
import sys
from typing import Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json

KEYS = "NOSTART_KEYS"
APP = "diagnose.api.app:create_app"

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
        _run(config, listener, workers)


def _run(config: Any, listener: Any, workers: int) -> None:
    """Serve until told to stop; several processes share the listening socket."""
    import uvicorn  # noqa: PLC0415
    from uvicorn.supervisors import Multiprocess  # noqa: PLC0415

    if workers == 1:
        uvicorn.Server(config).run(sockets=[listener])
        return
    Multiprocess(config, sockets=[listener]).run()
