"""Entity tags of a job's answers, and requests that depend on them (RFC 9110, section 13)."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Header
from fastapi.responses import Response

import diagnose

from .refusals import ChangedError, NoConditionError

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from diagnose.store.records import KeptJob

IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        max_length=200,
        description='The `ETag` of the job as it was read, such as `"3"`; `*` for whatever it is.',
    ),
]
IfNoneMatch = Annotated[
    str | None,
    Header(
        alias="If-None-Match",
        max_length=2_000,
        description="The `ETag` of an answer that the client has, or several; where it is still "
        "the same, 304 comes without a body.",
    ),
]

ETAG = {
    "ETag": {
        "description": "Version of the job, in quotes; behind a dash what else the answer "
        "depends on. Any of them goes into `If-Match`.",
        "schema": {"type": "string"},
    }
}
UNCHANGED: dict[int | str, dict[str, Any]] = {
    304: {"description": "It is what the client has.", "headers": ETAG}
}
"""What the description says of every answer that has a tag."""

ANY = "*"
SQUEEZED = "-gzip"
"""Ends the tag of an answer that is sent compressed: other bytes, another strong tag."""

_ONE = re.compile(r'[ \t]*(?:(W/)?"([\x21\x23-\x7e\x80-\xff]*)"[ \t]*)?(?:,|\Z)')
"""One of a list; between two commas there may be nothing (section 5.6.1)."""

_VERSION = re.compile(rf"([0-9]{{1,9}})(?:-[0-9a-f]{{8}})?(?:{SQUEEZED})?")


def job_tag(version: int) -> str:
    """The tag of a job itself, which is its steps and nothing else."""
    return f'"{version}"'


def told_tag(version: int, *about: str) -> str:
    """The tag of what is worked out from a job.

    Args:
        version: of the job that it is about.
        about: what else decides it and is not in the address, such as the form that was chosen.
            This program's own source is always among it.
    """
    known = hashlib.sha256("\0".join((program_mark(), *about)).encode()).hexdigest()
    return f'"{version}-{known[:8]}"'


@cache
def program_mark() -> str:
    """A hash of the source of this program: another version of it may answer otherwise."""
    known = hashlib.sha256()
    for top in (Path(diagnose.__file__).parent, Path(__file__).parent):
        for file in sorted(path for end in ("py", "html") for path in Path(top).rglob(f"*.{end}")):
            known.update(file.read_bytes())
    return known.hexdigest()


def tagged(kept: KeptJob) -> dict[str, str]:
    """The headers with a job's own tag."""
    return {"etag": job_tag(kept.version)}


def unchanged(if_none_match: str | None, tag: str) -> Response | None:
    """The answer to a client that has it already; None where it has to be sent.

    Compared is weakly (section 8.8.3.2), as section 13.1.2 wants it. A field that is no list of
    tags is passed over.
    """
    if if_none_match is None:
        return None
    field = if_none_match.strip(" \t")
    if field == ANY:
        return Response(status_code=304, headers={"etag": tag})
    for _, known in tags_of(field):
        if known.removesuffix(SQUEEZED) == tag.strip('"'):
            return Response(status_code=304, headers={"etag": f'"{known}"'})
    return None


def tags_of(field: str) -> list[tuple[bool, str]]:
    """The tags of a list, each with whether it is weak; none where it cannot be read."""
    tags, place = [], 0
    while place < len(field):
        told = _ONE.match(field, place)
        if told is None:
            return []
        if told[2] is not None:
            tags.append((told[1] is not None, told[2]))
        place = told.end()
    return tags


def expected_version(if_match: str | None, kept: KeptJob) -> int:
    """The version that a request wants to go on with; compared strongly (section 13.1.1).

    Raises:
        NoConditionError: it does not say.
        ChangedError: it names no version that the job has or had.
    """
    if if_match is None or not if_match.strip():
        raise NoConditionError('say which version was read: `If-Match` with the `ETag`, e.g. "3"')
    if if_match.strip() == ANY:
        return kept.version
    strong = (known for weak, known in tags_of(if_match.strip()) if not weak)
    versions = [int(told[1]) for known in strong if (told := _VERSION.fullmatch(known))]
    if kept.version in versions:
        return kept.version
    known = [version for version in versions if version <= kept.version]
    if known:
        return max(known)  # the store finds that it is not the version of now
    raise ChangedError(f"the job is at version {kept.version}; read it first", kept.version, None)


class SqueezedTags:
    """Pure ASGI: the tag of a compressed answer says so (section 8.8.3.3)."""

    def __init__(self, app: ASGIApp) -> None:
        """Around what compresses."""
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Mark the tag of an answer to GET that has been compressed."""
        if scope["type"] != "http" or scope["method"] != "GET":
            await self.app(scope, receive, send)
            return

        async def told(message: Message) -> None:
            headers = message.get("headers", [])
            if (b"content-encoding", b"gzip") in headers:
                message["headers"] = [
                    (name, _squeezed(value) if name == b"etag" else value)
                    for name, value in headers
                ]
            await send(message)

        await self.app(scope, receive, told)


def _squeezed(tag: bytes) -> bytes:
    return tag[:-1] + SQUEEZED.encode() + b'"' if tag.startswith(b'"') else tag
