"""Errors as problem documents (RFC 9457, `application/problem+json`), all of one shape."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from diagnose.errors import (
    ClashError,
    DiagnoseError,
    FullError,
    IdempotencyError,
    MachineFileError,
    NotKeptError,
    RequestError,
    StoreError,
    UnitError,
    UnknownNameError,
    ValueOutOfRangeError,
    VersionConflictError,
    WrongStateError,
)

from .refusals import (
    BusyError,
    ChangedError,
    ForbiddenError,
    GoneError,
    NoConditionError,
    NoKeyError,
    NoPriorsError,
    NotAcceptableError,
    OtherPriorsHoldError,
    PriorsUnfitError,
    PriorsUnusableError,
    TooManyError,
)

MEDIA_TYPE = "application/problem+json"


class FileProblem(BaseModel):
    """One thing that is wrong in a file."""

    line: int = Field(description="Line, from 1; 0 where it is about the whole.")
    column: int = Field(description="Column, from 1.")
    message: str = Field(description="What was met and what was expected.")
    rule: str = Field(description="Name of the rule that it breaks.")


class Problem(BaseModel):
    """A refusal: what was wrong, where, and what would have been right."""

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
    version: int | None = Field(default=None, description="The version that the job has now.")
    added: list[dict[str, Any]] | None = Field(
        default=None, description="The steps that were kept since the version that was read."
    )
    problems: list[FileProblem] | None = Field(
        default=None, description="All that is wrong in a file that was sent, by place."
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
WRONG_TYPE = Kind("wrong-content-type", "The body is not announced as JSON", 415)
INVALID = Kind("invalid-request", "The request does not fit its description", 422)
UNKNOWN_NAME = Kind("unknown-name", "A name that the machine does not have", 422)
UNIT = Kind("wrong-unit", "A reading in a unit that the test does not measure", 422)
OUT_OF_RANGE = Kind("out-of-range", "A reading outside what its test accepts", 422)
MACHINE_FILE = Kind("machine-unusable", "The machine's file cannot be used", 500)
FAULT = Kind("internal", "A fault of this service", 500)
NO_KEY = Kind("no-key", "A key is needed", 401)
FORBIDDEN = Kind("forbidden", "The key is for other work", 403)
NO_JOB = Kind("not-kept", "No such job is kept", 404)
NOT_ACCEPTABLE = Kind("not-acceptable", "There is no such form of it", 406)
WRONG_STATE = Kind("wrong-state", "The job does not take that step now", 409)
NO_PRIORS = Kind("no-priors", "No such priors are kept", 404)
OTHER_PRIORS = Kind("other-priors", "Other priors hold by now than were read", 412)
PRIORS_FILE = Kind("priors-unusable", "The priors file has problems", 422)
PRIORS_MISMATCH = Kind("priors-mismatch", "The priors were made for another machine file", 422)
FULL = Kind("full", "More than is kept", 409)
IN_FLIGHT = Kind("in-flight", "The same request is still being worked on", 409)
CHANGED = Kind("changed", "The job has gone on since it was read", 412)
KEY_REUSED = Kind("key-reused", "The idempotency key was another request's", 422)
NO_CONDITION = Kind("no-condition", "The request does not say which version was read", 428)
TOO_MANY = Kind("too-many-requests", "Too many requests in a minute", 429)
STORE = Kind("store-unusable", "The store cannot be used now", 503)
BUSY = Kind("busy", "No answer in time; ask again later", 503)
NOT_READY = Kind("not-ready", "The machines are still being made ready", 503)
STUCK = Kind("stuck", "The service does not answer", 503)
GONE = Kind("client-gone", "The client has gone", 499)
"""Nobody reads this one; the number, which no standard gives, is for the log and the counters."""

FAULT_WORDS = "the request could not be answered; the service's log says why"

WORDS = {
    NOT_FOUND: "nothing is at this address; /openapi.json lists what there is",
    WRONG_METHOD: "this address takes other methods, see `Allow`",
}
"""What is said where the framework has only a phrase."""

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


STORE_WORDS = "the store cannot be used now; who runs the service finds out why at /readyz"

PLAIN: dict[type[DiagnoseError], Kind] = {
    GoneError: GONE,
    NoKeyError: NO_KEY,
    ForbiddenError: FORBIDDEN,
    TooManyError: TOO_MANY,
    NoConditionError: NO_CONDITION,
    NotKeptError: NO_JOB,
    WrongStateError: WRONG_STATE,
    FullError: FULL,
    VersionConflictError: CHANGED,
    RequestError: INVALID,
    BusyError: BUSY,
    ChangedError: CHANGED,
    NotAcceptableError: NOT_ACCEPTABLE,
    NoPriorsError: NO_PRIORS,
    OtherPriorsHoldError: OTHER_PRIORS,
    PriorsUnusableError: PRIORS_FILE,
    PriorsUnfitError: PRIORS_MISMATCH,
}
"""Errors that say all there is to say, and their kinds."""

TOLD = ("version", "added", "problems")
"""Members that such an error brings along, where it has them."""

HEADERS: dict[Kind, dict[str, str]] = {
    NO_KEY: {"www-authenticate": "Bearer"},
    TOO_MANY: {"retry-after": "60"},
    STORE: {"retry-after": "10"},
    IN_FLIGHT: {"retry-after": "2"},
}


async def from_error(_: Request, error: DiagnoseError) -> ProblemResponse:
    """The response for an error that the engine, the store or the service raised."""
    kind, members = told_by(error)
    detail = str(error)
    headers = dict(HEADERS.get(kind, {}))
    if isinstance(error, BusyError):
        headers["retry-after"] = str(error.seconds)
    if isinstance(error, MachineFileError):
        detail = f"the machine's file has {len(error.problems)} problem(s)"
    if isinstance(error, StoreError):
        detail = STORE_WORDS
    return respond(kind, detail, headers=headers, **members)


def told_by(error: DiagnoseError) -> tuple[Kind, dict[str, Any]]:
    """The kind of problem that an error is, and its members."""
    place = getattr(error, "place", "")
    if type(error) in PLAIN:
        members = {name: getattr(error, name, None) for name in TOLD}
        forms = getattr(error, "forms", None)
        return PLAIN[type(error)], {"place": place, "expected": forms, **members}
    if isinstance(error, UnknownNameError):
        kind = UNKNOWN_MACHINE if error.kind == "machine" else UNKNOWN_NAME
        place = place or FIELDS.get(error.kind, error.kind)
        members = {"place": place, "met": error.met, "expected": error.valid}
        return kind, members | {"nearest": error.nearest}
    return _of_a_value(error, place)


def _of_a_value(error: DiagnoseError, place: str) -> tuple[Kind, dict[str, Any]]:
    """The same for values that do not fit, and for what is nobody's fault who asks."""
    if isinstance(error, UnitError):
        return UNIT, {"place": place, "met": error.met, "expected": error.expected}
    if isinstance(error, ValueOutOfRangeError):
        limits = f"{error.low:g} to {error.high:g} {error.unit}".rstrip()
        return OUT_OF_RANGE, {"place": place, "met": error.met, "expected": [limits]}
    if isinstance(error, ClashError):
        met = ", ".join(f"{node}={state}" for node, state in error.findings)
        return CLASH, {"place": "findings", "met": met}
    if isinstance(error, IdempotencyError):
        return IN_FLIGHT if error.in_flight else KEY_REUSED, {}
    return STORE if isinstance(error, StoreError) else MACHINE_FILE, {"place": place}


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
    return respond(FAULT, FAULT_WORDS)


async def from_http(_: Request, error: HTTPException) -> ProblemResponse:
    """The response for a plain HTTP error: no such address, wrong method, unreadable body."""
    kinds = {
        kind.status: kind for kind in (UNREADABLE, NOT_FOUND, WRONG_METHOD, TOO_LONG, WRONG_TYPE)
    }
    kind = kinds.get(error.status_code)
    if kind is None:
        words = HTTPStatus(error.status_code).phrase
        kind = Kind(words.lower().replace(" ", "-"), words, error.status_code)
    headers = dict(error.headers or {})
    if "GET" in headers.get("allow", headers.get("Allow", "")).split(", "):
        headers = {"allow": "GET, HEAD"}
    return respond(kind, WORDS.get(kind, str(error.detail)), headers=headers)


def declared(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """What an endpoint's `responses` says about the problems it can answer with."""
    described: dict[int | str, dict[str, Any]] = {}
    for status in sorted({kind.status for kind in kinds}):
        own = [kind for kind in dict.fromkeys(kinds) if kind.status == status]
        described[status] = {
            "description": "; ".join(kind.title for kind in own),
            "content": {
                MEDIA_TYPE: {
                    "schema": {"$ref": "#/components/schemas/Problem"},
                    "examples": {
                        kind.name: {"$ref": f"#/components/examples/{kind.name}"} for kind in own
                    },
                }
            },
        }
    return described
