"""Errors as problem documents (RFC 9457, `application/problem+json`), all of one shape."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from diagnose.errors import (
    ClashError,
    DiagnoseError,
    MachineFileError,
    RequestError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
)

MEDIA_TYPE = "application/problem+json"


class Problem(BaseModel):
    """A refusal: what was wrong, where, and what would have been right."""

    model_config = ConfigDict(extra="forbid")

    type: str = Field(
        description="Kind of problem, as a relative URI reference that stays the same.",
        examples=["/problems/unknown-name"],
    )
    title: str = Field(description="The kind of problem in a few words.")
    status: int = Field(description="The HTTP status once more.", ge=400, le=599)
    detail: str = Field(description="One sentence about this occurrence.")
    place: str | None = Field(
        default=None, description="Where in the request, e.g. `findings[2].outcome`."
    )
    met: str | None = Field(default=None, description="What was given there, as text.")
    expected: list[str] | None = Field(
        default=None, description="What would have been accepted there."
    )
    nearest: str | None = Field(
        default=None, description="The accepted name that looks most like the one given."
    )


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: last part of its type, its title, its status."""

    name: str
    title: str
    status: int


UNREADABLE = Kind("unreadable-body", "The body is not JSON", 400)
UNKNOWN_MACHINE = Kind("unknown-machine", "No such machine", 404)
NOT_FOUND = Kind("not-found", "Nothing is here", 404)
WRONG_METHOD = Kind("wrong-method", "This address does not take that method", 405)
CLASH = Kind("clash", "The findings cannot all be true", 409)
TOO_LONG = Kind("body-too-long", "The body is too long", 413)
INVALID = Kind("invalid-request", "The request does not fit its description", 422)
UNKNOWN_NAME = Kind("unknown-name", "A name that the machine does not have", 422)
UNIT = Kind("wrong-unit", "A reading in a unit that the test does not measure", 422)
OUT_OF_RANGE = Kind("out-of-range", "A reading outside what its test accepts", 422)
MACHINE_FILE = Kind("machine-unusable", "The machine's file cannot be used", 500)
FAULT = Kind("internal", "A fault of this service", 500)

FIELDS = {"tool": "tools", "area": "open"}
"""Field of the question that a kind of name stands in, where it is not called the same."""

MAX_EXPECTED = 200
MAX_MET = 200


class ProblemResponse(Response):
    """A problem document; plain ASCII on the wire, so that any text can be quoted in it."""

    media_type = MEDIA_TYPE

    def render(self, content: Any) -> bytes:
        """The document as bytes; NaN is refused."""
        return json.dumps(content, allow_nan=False).encode("ascii")


def respond(
    kind: Kind, detail: str, headers: Mapping[str, str] | None = None, **members: Any
) -> ProblemResponse:
    """The response for one problem, `detail` being one sentence about this occurrence.

    The `members` are `place`, `met`, `expected`, `nearest`; None and empty ones are left out.
    """
    met = members.get("met")
    if met is not None:
        members["met"] = _as_text(met)
    if members.get("expected"):
        members["expected"] = [str(one) for one in members["expected"]][:MAX_EXPECTED]
    content = {
        "type": f"/problems/{kind.name}",
        "title": kind.title,
        "status": kind.status,
        "detail": detail,
        **{name: value for name, value in members.items() if value not in (None, "", [], ())},
    }
    return ProblemResponse(content, status_code=kind.status, headers=dict(headers or {}))


def _as_text(met: Any) -> str:
    if isinstance(met, float) and not math.isfinite(met):
        return "not a finite number"
    text = met if isinstance(met, str) else repr(met)
    return text if len(text) <= MAX_MET else text[: MAX_MET - 3] + "..."


async def from_error(_: Request, error: DiagnoseError) -> ProblemResponse:
    """The response for an error that the engine raised."""
    place = getattr(error, "place", "")
    kind = MACHINE_FILE
    members: dict[str, Any] = {"place": place}
    detail = str(error)
    if isinstance(error, UnknownNameError):
        kind = UNKNOWN_MACHINE if error.kind == "machine" else UNKNOWN_NAME
        members = {"place": place or FIELDS.get(error.kind, error.kind), "met": error.met}
        members |= {"expected": error.valid, "nearest": error.nearest}
    elif isinstance(error, UnitError):
        kind, members = UNIT, {"place": place, "met": error.met, "expected": error.expected}
    elif isinstance(error, ValueOutOfRangeError):
        limits = f"{error.low:g} to {error.high:g} {error.unit}".rstrip()
        kind, members = OUT_OF_RANGE, {"place": place, "met": error.met, "expected": [limits]}
    elif isinstance(error, ClashError):
        met = ", ".join(f"{node}={state}" for node, state in error.findings)
        kind, members = CLASH, {"place": "findings", "met": met}
    elif isinstance(error, RequestError):
        kind = INVALID
    elif isinstance(error, MachineFileError):
        detail = f"the machine's file has {len(error.problems)} problem(s)"
    return respond(kind, detail, **members)


async def from_validation(_: Request, error: RequestValidationError) -> ProblemResponse:
    """The response for a body that does not fit: the first thing, and how many more there are."""
    first, *more = error.errors()
    if first["type"] == "json_invalid":
        said = first.get("ctx", {}).get("error", "cannot be read")
        return respond(UNREADABLE, f"the body is not JSON: {said}", place="body")
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in first["loc"][1:])
    place = "".join(steps).lstrip(".") or "body"
    detail = f"{place}: {first['msg'].removeprefix('Value error, ')}"
    met = first.get("input")
    return respond(
        INVALID,
        f"{detail} (and {len(more)} more)" if more else detail,
        place=place,
        met=met if isinstance(met, str | int | float) else None,
    )


async def from_fault(_: Request, error: Exception) -> ProblemResponse:  # noqa: ARG001  logged
    """The response for anything else; what it was, the service's log says."""
    return respond(FAULT, "the request could not be answered; the service's log says why")


async def from_http(_: Request, error: HTTPException) -> ProblemResponse:
    """The response for a plain HTTP error: no such address, wrong method, unreadable body."""
    kinds = {kind.status: kind for kind in (UNREADABLE, NOT_FOUND, WRONG_METHOD, TOO_LONG)}
    kind = kinds.get(error.status_code)
    if kind is None:
        words = HTTPStatus(error.status_code).phrase
        kind = Kind(words.lower().replace(" ", "-"), words, error.status_code)
    return respond(kind, str(error.detail), headers=error.headers)


def declared(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """What an endpoint's `responses` says about the problems it can answer with."""
    found: dict[int | str, dict[str, Any]] = {}
    for status in sorted({kind.status for kind in kinds}):
        titles = [kind.title for kind in kinds if kind.status == status]
        found[status] = {
            "description": "; ".join(titles),
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
    return found
