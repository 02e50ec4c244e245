"""`diagnose serve`: the same answers over HTTP."""

import sys
from typing import Annotated

import typer

from diagnose.commands import options
from diagnose.commands.output import print_json


def serve(
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[
        int,
        typer.Option("--port", min=0, max=65_535, help="Port to listen on; 0 takes a free one."),
    ] = 8000,
    json: options.Json = False,
) -> None:
    """Answer over HTTP; OpenAPI is at /openapi.json."""
    import socket  # noqa: PLC0415

    import uvicorn  # noqa: PLC0415  the server and its framework load on use only

    from diagnose.api.app import create_app  # noqa: PLC0415

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.create_server((host, port), family=family) as listener:
        taken = listener.getsockname()[1]
        if json:
            print_json({"host": host, "port": taken})
            sys.stdout.flush()
        config = uvicorn.Config(create_app(), log_level="warning" if json else "info")
        uvicorn.Server(config).run(sockets=[listener])
