"""The store for a command, closed again after it."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.store.store import Store


@contextlib.contextmanager
def opened_store() -> Iterator[Store]:
    """The store that `NOSTART_STORE` names, else the user's own.

    Raises:
        StoreError: it cannot be reached, or is of another version.
    """
    from diagnose.store.store import Store  # noqa: PLC0415  the database loads on use only

    store = Store.open()
    try:
        yield store
    finally:
        store.close()
