"""A longest body, refused as a problem document before more of it is read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException

from .problems import TOO_LONG, respond

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send


class _TooLongError(HTTPException):
    def __init__(self, limit: int) -> None:
        super().__init__(TOO_LONG.status, f"the body is longer than {limit:,} bytes")


@dataclass(frozen=True, slots=True)
class BodyLimit:
    """Pure ASGI middleware.

    Attributes:
        app: the application behind it.
        max_bytes: longest body passed on.
    """

    app: ASGIApp
    max_bytes: int

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse by the length announced, else count while the body comes in."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal = _TooLongError(self.max_bytes)
        announced = dict(scope["headers"]).get(b"content-length", b"0")
        if announced.isdigit() and int(announced) > self.max_bytes:
            await respond(TOO_LONG, refusal.detail)(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.max_bytes:
                raise refusal  # answered by the application's own handler for HTTP errors
            return message

        await self.app(scope, counted, send)
