"""The bench page at `/`: a shell, and the files it loads, all of them from the folder `page`.

Modules are joined into three: what asks at once for the job in the address, what the first card
needs, and all other views. The files lie under an address that has a hash of all of them in it, so
that a browser keeps them for good and never mixes two versions. The page speaks to the public API
and to nothing else.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi.responses import Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException

from .joined import VENDOR, joined

if TYPE_CHECKING:
    from fastapi import FastAPI

FOLDER = Path(__file__).parent / "page"
SHELL = "shell.html"
FIRST = ("early.mjs", "main.mjs")
"""Modules that the shell names, in the order in which they run."""

ENTRIES = (*FIRST, "views.mjs")
"""Modules that are served; the others are joined into them, see `joined.py`."""

KINDS = {
    ".mjs": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}
"""Media types of what is served; other files of the folder, such as licence texts, are not."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing inline, nothing from elsewhere (Content Security Policy Level 3)."""

FOR_GOOD = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class Files:
    """The files of the page.

    Attributes:
        version: hash of all of them, in hex.
        bodies: name, with its folder, -> content.
        shell: what stands at `/`.
    """

    version: str
    bodies: dict[str, bytes]
    shell: bytes


@cache
def page_files() -> Files:
    """The files as they are on disk, read once."""
    names = sorted(path for path in FOLDER.rglob("*") if path.suffix in KINDS)
    bodies = _served({path.relative_to(FOLDER).as_posix(): path.read_bytes() for path in names})
    known = hashlib.sha256()
    for name, body in bodies.items():
        known.update(f"{name}\0{len(body)}\0".encode() + body)
    version = known.hexdigest()[:16]
    pages = Environment(loader=FileSystemLoader(FOLDER), autoescape=True, undefined=StrictUndefined)
    shell = pages.get_template(SHELL).render(place=f"/page/{version}", modules=_at_once(bodies))
    return Files(version, bodies, shell.encode())


def _served(bodies: dict[str, bytes]) -> dict[str, bytes]:
    """What is served of the files: modules joined, vendored ones and all else as they are."""
    texts = {name: body.decode() for name, body in bodies.items() if name.endswith(".mjs")}
    own = {name for name in texts if not name.startswith(VENDOR)}
    rest = {name: body for name, body in bodies.items() if name not in own}
    return rest | {name: text.encode() for name, text in joined(texts, ENTRIES).items()}


def _at_once(bodies: dict[str, bytes]) -> list[str]:
    """The modules that run at once: those that the shell names, and vendored ones."""
    return [*FIRST, *(name for name in sorted(bodies) if name.startswith(VENDOR))]


def mount_page(app: FastAPI) -> None:
    """Serve the page; it stands in no description of the service."""

    @app.get("/", include_in_schema=False)
    async def shell() -> Response:
        headers = {"content-security-policy": POLICY, "cache-control": "no-cache"}
        return Response(page_files().shell, headers=headers, media_type="text/html")

    @app.get("/page/{version}/{name:path}", include_in_schema=False)
    async def file(version: str, name: str) -> Response:
        files = page_files()
        body = files.bodies.get(name) if version == files.version else None
        if body is None:
            raise HTTPException(404)
        kind = KINDS[Path(name).suffix]
        return Response(body, headers={"cache-control": FOR_GOOD}, media_type=kind)
