"""What is done around every request: id, log, count, headers, HEAD, and an answer whatever happens.

Pure ASGI. A log line has the route's template and never the address itself, which may hold a
customer's words in its path or query.
"""

from __future__ import annotations

import re
import secrets
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.datastructures import MutableHeaders

from .logs import place_of
from .problems import FAULT, FAULT_WORDS, respond

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from .metrics import Metrics

REQUEST_ID = "x-request-id"
_SAFE_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

SECURITY = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""Headers of every answer that does not set them itself: OWASP's REST security cheat sheet."""


@dataclass(frozen=True, slots=True)
class Outer:
    """The outermost layer of an application."""

    app: ASGIApp
    log: Any
    metrics: Metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, and tell how it went."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        method, began = _known_method(scope["method"]), time.perf_counter()
        known = _given_id(scope) or secrets.token_hex(8)
        status, headed = 0, method == "HEAD"
        # RFC 9110, section 9.3.2: as GET, without the content.
        inner = {**scope, "method": "GET"} if headed else scope
        inner.setdefault("state", {})["request_id"] = known

        async def told(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(raw=message.setdefault("headers", []))
                headers[REQUEST_ID] = known
                for name, value in SECURITY.items():
                    headers.setdefault(name, value)
            elif headed:
                message = {**message, "body": b""}
            await send(message)

        try:
            await self.app(inner, receive, told)
        except Exception as error:
            self.log.error(  # noqa: TRY400  what it says may be a customer's
                "fault", request_id=known, error=type(error).__name__, place=place_of(error)
            )
            if not status:
                await respond(FAULT, FAULT_WORDS)(inner, receive, told)
        finally:
            seconds = time.perf_counter() - began
            route = template(inner)
            self.metrics.answered(route, method, status, seconds)
            self.log.info(
                "request",
                request_id=known,
                method=method,
                route=route,
                status=status,
                ms=round(1000.0 * seconds, 1),
            )


def template(scope: Scope) -> str:
    """The template of the route that took a request, such as `/v1/machines/{machine}`."""
    return getattr(scope.get("route"), "path", None) or "none"


def _known_method(method: str) -> str:
    """A method by its name; any word can come as one, so others are not told apart."""
    return method if method in METHODS else "other"


def _given_id(scope: Scope) -> str | None:
    """The id that the caller gave the request, where it is a plain one."""
    for name, value in scope["headers"]:
        if name == REQUEST_ID.encode():
            return safe_id(value.decode("latin-1"))
    return None


def safe_id(text: str) -> str | None:
    """An id as a caller gave it, where it is a plain one that can be repeated to him."""
    return text if _SAFE_ID.fullmatch(text) else None
