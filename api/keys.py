"""Who asks, for which shop, and whether he may: `Authorization: Bearer` (RFC 6750)."""

import time
import zlib
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Annotated

import anyio.to_thread
from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter

from diagnose.store.records import ANALYST, ROLES, SHOP_SYSTEM, TECHNICIAN

from .keeping import BENCH_SHOP, Keeping
from .refusals import ForbiddenError, NoKeyError, TooManyError

ALL = frozenset(ROLES)
WORKING = frozenset({TECHNICIAN, SHOP_SYSTEM})
READING_ORDERS = frozenset({SHOP_SYSTEM, ANALYST})

SECONDS_KNOWN = 5.0
"""So long it is taken that there are no keys yet, before the store is asked again."""

ADDRESSES = 4_096
"""Callers without a key are told apart by so many numbers, so that counting them has a bound."""


@dataclass(frozen=True, slots=True)
class Who:
    """Who asks.

    Attributes:
        shop: id of his shop.
        roles: what he may do.
        name: of his key; empty where none is asked for.
    """

    shop: str
    roles: frozenset[str]
    name: str = ""


ANYBODY = Who(BENCH_SHOP, ALL)
"""Whoever sits at this computer, as long as there are no keys."""


class Door:
    """Lets requests in."""

    def __init__(self, keeping: Keeping, requests_per_minute: int, *, keys_always: bool) -> None:
        """Keys are asked for once there are any, or always."""
        self._keeping = keeping
        self._always = keys_always
        self._asked_at, self._keys = -1e9, False
        self._most = RateLimitItemPerMinute(requests_per_minute)
        self._counts = FixedWindowRateLimiter(MemoryStorage())

    async def who(self, request: Request, key: str | None) -> Who:
        """Who asks.

        Raises:
            NoKeyError: a key is needed, and none that holds was shown.
            TooManyError: it was shown too often within the minute.
            StoreError: the keys cannot be read.
        """
        none_yet = not self._always and not self._keys
        if key is None and none_yet and time.monotonic() < self._asked_at + SECONDS_KNOWN:
            return ANYBODY
        return await anyio.to_thread.run_sync(self._who, _address(request), key)

    def _who(self, address: str, key: str | None) -> Who:
        if not self.keys_wanted():
            return ANYBODY
        known = None if key is None else self._keeping.store().verify_key(key)
        if known is None:
            self._count(f"address {zlib.crc32(address.encode()) % ADDRESSES}")
            raise NoKeyError("show a key that holds: `Authorization: Bearer KEY`")
        self._count(f"key {known.prefix}")
        return Who(known.shop, frozenset({known.role}), known.name)

    def keys_wanted(self) -> bool:
        """Whether keys are asked for: always, or since the first was made."""
        if self._always:
            return True
        if time.monotonic() >= self._asked_at + SECONDS_KNOWN and not self._keys:
            self._keys = self._keeping.usable() and bool(self._keeping.store().known_keys())
            self._asked_at = time.monotonic()
        return self._keys

    def _count(self, who: str) -> None:
        if not self._counts.hit(self._most, who):
            raise TooManyError(f"more than {self._most.amount:,} requests in a minute")


def _address(request: Request) -> str:
    return request.client.host if request.client is not None else ""


BEARER = HTTPBearer(
    auto_error=False,
    description="A key of `diagnose keys add`; none is needed while there are none.",
)


def admitted(door: Door, roles: Collection[str] = ALL) -> Callable[..., object]:
    """A dependency that lets pass who has one of these roles; `who_of` tells who it is."""
    wanted = frozenset(roles)

    async def who(
        request: Request,
        shown: Annotated[HTTPAuthorizationCredentials | None, Depends(BEARER)],
    ) -> None:
        known = await door.who(request, shown.credentials if shown is not None else None)
        if not known.roles & wanted:
            raise ForbiddenError(f"this is for keys of the role {' or '.join(sorted(wanted))}")
        request.state.who = known

    return who


def who_of(request: Request) -> Who:
    """Who was admitted."""
    known: Who = request.state.who
    return known
