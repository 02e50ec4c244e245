"""A longest body, refused as a problem document before more of it is read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException

from .problems import TOO_LONG, respond

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send


@dataclass(frozen=True, slots=True)
class BodyLimit:
    """Pure ASGI middleware: no body longer than `max_bytes` is passed on to `app`."""

    app: ASGIApp
    max_bytes: int

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse by the length announced, else count while the body comes in."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        detail = f"the body is longer than {self.max_bytes:,} bytes"
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        if announced.isdigit() and int(announced) > self.max_bytes:
            await respond(TOO_LONG, detail)(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.max_bytes:
                raise HTTPException(TOO_LONG.status, detail)  # answered by the app's own handler
            return message

        await self.app(scope, counted, send)
