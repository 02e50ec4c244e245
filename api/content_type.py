"""Bodies are JSON and say so."""

from __future__ import annotations

from fastapi import Request  # noqa: TC002  read by the framework
from starlette.exceptions import HTTPException

from .problems import WRONG_TYPE


async def json_only(request: Request) -> None:
    """Let a request with a body pass if it is announced as JSON.

    Raises:
        HTTPException: it is not; 415, RFC 9110, section 15.5.16.
    """
    given = request.headers.get("content-type", "")
    kind = given.partition(";")[0].strip().lower()
    if kind != "application/json":
        met = f"{kind[:60]!r} was given" if kind else "none was given"
        raise HTTPException(
            WRONG_TYPE.status,
            f"the content type has to be application/json; {met}",
            headers={"accept": "application/json"},
        )
