"""Keys: who may ask, for which shop, and as what. A key is shown once; its hash is kept."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select, update

from diagnose.errors import FullError, NotKeptError, RequestError, UnknownNameError
from diagnose.store.moments import moment_of, moment_text
from diagnose.store.records import ROLES, Key
from diagnose.store.rows import of_shop
from diagnose.store.tables import NAME, keys

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection, RowMapping

SECRET_BYTES = 32
"""256 bits: nobody guesses one, so a plain hash of it is as good as a slow one."""

MARK = "nsk"
"""First letters of every key, so that it is known for one where it should not be."""

PREFIX_BYTES = 6
MOST_KEYS = 1_000
"""Keys of all shops that hold."""

MOST_CHARACTERS = 100
USED_TO = timedelta(minutes=1)
"""How exactly the last use is kept: no write for every request."""

_NO_HASH = "0" * 64


def add(connection: Connection, name: str, shop: str, role: str, now: datetime) -> tuple[str, Key]:
    """A new key: its text, which is nowhere kept, and what is kept of it.

    Raises:
        UnknownNameError: no such role.
        RequestError: a name or shop that is empty or too long.
        FullError: there are too many keys.
    """
    if role not in ROLES:
        raise UnknownNameError("role", role, ROLES)
    for place, text in (("name", name), ("shop", shop)):
        if not 1 <= len(text) <= NAME or not text.isprintable():
            raise RequestError(f"expected 1 to {NAME} characters that can be printed", place)
    hold = select(func.count()).select_from(keys).where(keys.c.revoked_at.is_(None))
    if connection.execute(hold).scalar_one() >= MOST_KEYS:
        raise FullError("keys", MOST_KEYS)
    prefix = f"{MARK}_{secrets.token_hex(PREFIX_BYTES)}"
    text = f"{prefix}_{secrets.token_urlsafe(SECRET_BYTES)}"
    row = {"prefix": prefix, "hash": _hash(text), "name": name, "shop": shop, "role": role}
    made = keys.insert().values(**row, created_at=moment_text(now)).returning(*keys.c)
    return text, _key(connection.execute(made).mappings().one())


def known(connection: Connection, shop: str | None) -> tuple[Key, ...]:
    """All keys of a shop, or of all shops; the oldest first, revoked ones among them."""
    query = select(keys) if shop is None else of_shop(shop, keys)
    rows = connection.execute(query.order_by(keys.c.created_at, keys.c.prefix)).mappings()
    return tuple(_key(row) for row in rows)


def revoke(connection: Connection, prefix: str, now: datetime) -> Key:
    """A key that holds no more; one that was revoked before stays as it was.

    Raises:
        NotKeptError: there is no key with that prefix.
    """
    query = update(keys).where(keys.c.prefix == prefix)
    since = func.coalesce(keys.c.revoked_at, moment_text(now))
    row = connection.execute(query.values(revoked_at=since).returning(*keys.c)).mappings().first()
    if row is None:
        raise NotKeptError("key", prefix)
    return _key(row)


def verified(connection: Connection, text: str) -> Key | None:
    """The key that a text is; None where it is none that holds.

    The comparison takes as long whatever is wrong with it, and is made whether there is such a
    prefix or not.
    """
    prefix = "_".join(text[:MOST_CHARACTERS].split("_", 2)[:2])
    query = select(keys).where(keys.c.prefix == prefix) if prefix.isascii() else None
    usable = query is not None and "\0" not in prefix
    row = connection.execute(query).mappings().first() if usable and query is not None else None
    kept = _NO_HASH if row is None else row["hash"]
    same = hmac.compare_digest(kept, _hash(text[:MOST_CHARACTERS]))
    return _key(row) if row is not None and same and row["revoked_at"] is None else None


def stale(key: Key, now: datetime) -> bool:
    """Whether the last use that is kept of a key is old enough to be written anew."""
    return key.last_used_at is None or now - key.last_used_at >= USED_TO


def note_use(connection: Connection, key: Key, now: datetime) -> None:
    """Keep when a key was last used."""
    query = update(keys).where(keys.c.prefix == key.prefix)
    connection.execute(query.values(last_used_at=moment_text(now)))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def _key(row: RowMapping) -> Key:
    told: dict[str, Any] = {name: row[name] for name in ("prefix", "name", "shop", "role")}
    times = ("created_at", "last_used_at", "revoked_at")
    return Key(**told | {name: moment_of(row[name]) for name in times})
