"""Requests that are answered again: `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header).

The same key with the same request has the same answer for thirty days. A client that heard nothing
asks again with the same key, and nothing is written twice.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated

from fastapi import Header

from diagnose.store.records import RequestKey

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from diagnose.store.store import Store

IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=200,
        pattern=r"^[\x21-\x7e]+$",
        description="Chosen by the client for this request; the same one again has the same "
        "answer, for 30 days.",
    ),
]


@dataclass(frozen=True, slots=True)
class Written:
    """The answer of a request that wrote something.

    Attributes:
        status: of HTTP.
        headers: `ETag`, `Location`.
        body: JSON.
    """

    status: int
    headers: dict[str, str]
    body: str


def request_key(request: Request, key: str | None, body: bytes) -> RequestKey | None:
    """The key of a request with a hash of what it asks; the quotes of the draft may be left out."""
    if key is None:
        return None
    plain = key[1:-1] if len(key) > 2 and key[0] == key[-1] == '"' else key
    asked = hashlib.sha256(f"{request.method} {request.url.path}\n".encode() + body)
    return RequestKey(plain, asked.hexdigest())


def once(store: Store, shop: str, key: RequestKey | None, write: Callable[[], Written]) -> Written:
    """What a request wrote: now, or when it came first.

    Args:
        store: where answers are kept.
        shop: whose request it is.
        key: of the request; None to write without asking.
        write: does it; under a key that has written already it writes nothing and answers as it is.

    Raises:
        IdempotencyError: the key is another request's, or is being worked on.
        DiagnoseError: as `write`.
    """
    if key is None:
        return write()
    before = store.begin_request(shop, key)
    if before is not None and before.answer is not None:
        return Written(**json.loads(before.answer))
    try:
        told = write()
    except BaseException:
        store.drop_request(shop, key.key)
        raise
    store.finish_request(shop, key.key, json.dumps(asdict(told)))
    return told
