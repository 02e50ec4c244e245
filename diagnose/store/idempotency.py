"""Requests that are answered again: a key of the client stands for one request of its shop."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, func, select, update

from diagnose.errors import IdempotencyError, RequestError
from diagnose.store.database import insert_new
from diagnose.store.moments import moment_of, moment_text
from diagnose.store.records import Answered, plain_json
from diagnose.store.rows import of_shop
from diagnose.store.tables import HASH, NAME, idempotency

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection, RowMapping

    from diagnose.store.records import RequestKey

KEPT = timedelta(days=30)
"""How long an answer is kept."""

IN_FLIGHT = timedelta(minutes=2)
"""A request that has taken longer is taken for dead: its process was killed."""

MOST_ANSWER = 65_536
"""Characters of an answer; a longer one is made again from what was written."""

MOST_KEYS = 100_000
"""Keys of one shop; beyond that the oldest go before their time."""


def begin(connection: Connection, shop: str, key: RequestKey, now: datetime) -> Answered | None:
    """Take a key for a request that begins; what was answered where it has been answered already.

    Raises:
        IdempotencyError: the key is another request's, or the request is still being worked on.
        RequestError: a key or fingerprint that is too long or empty.
    """
    _check(key)
    row = {"shop": shop, "key": key.key, "fingerprint": key.fingerprint}
    if insert_new(connection, idempotency, row | {"started_at": moment_text(now)}):
        return None
    kept = _row(connection, shop, key)
    if kept is None:
        raise IdempotencyError(in_flight=True)  # it has just been dropped by another
    if kept["done"] is not None:
        return Answered(kept["answer"], json.loads(kept["done"]))
    started = moment_of(kept["started_at"])
    if started is not None and now - started < IN_FLIGHT:
        raise IdempotencyError(in_flight=True)
    connection.execute(_change(shop, key.key).values(started_at=moment_text(now)))
    return None


def done_before(connection: Connection, shop: str, key: RequestKey) -> dict[str, Any] | None:
    """What a request has written already, under a key; None where it has not.

    Raises:
        IdempotencyError: the key is another request's.
    """
    _check(key)
    kept = _row(connection, shop, key)
    if kept is None or kept["done"] is None:
        return None
    done: dict[str, Any] = json.loads(kept["done"])
    return done


def claim(
    connection: Connection, shop: str, key: RequestKey, now: datetime
) -> dict[str, Any] | None:
    """The same, in the transaction that writes; another with the same key waits for its end.

    Raises:
        IdempotencyError: the key is another request's.
    """
    _check(key)
    row = {"shop": shop, "key": key.key, "fingerprint": key.fingerprint}
    if insert_new(connection, idempotency, row | {"started_at": moment_text(now)}):
        return None
    return done_before(connection, shop, key)


def note_done(connection: Connection, shop: str, key: RequestKey, done: dict[str, Any]) -> None:
    """Note what a request has written, in the transaction that writes it."""
    connection.execute(_change(shop, key.key).values(done=plain_json(done)))


def finish(connection: Connection, shop: str, key: str, answer: str) -> None:
    """Keep the answer of a request; one that wrote nothing is done by it."""
    kept = answer if len(answer) <= MOST_ANSWER else None
    done = func.coalesce(idempotency.c.done, "{}")
    connection.execute(_change(shop, key).values(answer=kept, done=done))


def drop(connection: Connection, shop: str, key: str) -> None:
    """Forget a request that failed and wrote nothing, so that it may be tried again."""
    mine = (idempotency.c.shop == shop, idempotency.c.key == key, idempotency.c.done.is_(None))
    connection.execute(delete(idempotency).where(*mine))


def purge(connection: Connection, now: datetime, most: int = MOST_KEYS) -> int:
    """Take out what is older than is kept, and the oldest beyond `most` of each shop; how many."""
    old = delete(idempotency).where(idempotency.c.started_at < moment_text(now - KEPT))
    gone = connection.execute(old).rowcount
    counts = select(idempotency.c.shop, func.count()).group_by(idempotency.c.shop)
    for shop, count in connection.execute(counts).all():
        if count > most:
            rows = of_shop(shop, idempotency).with_only_columns(idempotency.c.key)
            oldest = rows.order_by(idempotency.c.started_at, idempotency.c.key)
            names = connection.execute(oldest.limit(count - most)).scalars().all()
            for start in range(0, len(names), 500):
                some = idempotency.c.key.in_(names[start : start + 500])
                query = delete(idempotency).where(idempotency.c.shop == shop, some)
                gone += connection.execute(query).rowcount
    return gone


def _change(shop: str, key: str) -> Any:
    return update(idempotency).where(idempotency.c.shop == shop, idempotency.c.key == key)


def _row(connection: Connection, shop: str, key: RequestKey) -> RowMapping | None:
    query = of_shop(shop, idempotency).where(idempotency.c.key == key.key)
    if connection.get_execution_options().get("writes"):
        query = query.with_for_update()
    row = connection.execute(query).mappings().first()
    if row is not None and row["fingerprint"] != key.fingerprint:
        raise IdempotencyError(in_flight=False)
    return row


def _check(key: RequestKey) -> None:
    if not 1 <= len(key.key) <= NAME or "\0" in key.key:
        raise RequestError(f"expected 1 to {NAME} characters", "idempotency_key")
    if not 1 <= len(key.fingerprint) <= HASH:
        raise RequestError(f"expected 1 to {HASH} characters", "fingerprint")
