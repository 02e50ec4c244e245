"""The store of the service, opened when it is first needed."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from diagnose.errors import StoreError, StoreVersionError
from diagnose.kept import Kept
from diagnose.machine.model import Machine
from diagnose.machine.overlay import Overlay
from diagnose.machine.overlay_file import parse_overlay
from diagnose.store.keeper import Keeper, basis_of, machine_of
from diagnose.store.records import LOCAL, text_hash
from diagnose.store.store import Store

if TYPE_CHECKING:
    from diagnose.store.records import KeptJob

    from .shelf import Shelf


def are_there_keys(url: str | None) -> bool:
    """Whether anybody has to show a key; tables are made in a store that is empty.

    Where no store was named and the usual place cannot be had, nothing can be kept and there are no
    keys; advice is given all the same.

    Raises:
        StoreError: the one that was named cannot be opened, or it is of another version.
    """
    try:
        store = Store.open(url)
    except StoreVersionError:
        raise
    except StoreError:
        if url is not None:
            raise
        return False
    try:
        return bool(store.known_keys())
    finally:
        store.close()


MOST_MACHINES = 32
"""Machines of kept jobs that are held; one takes half a megabyte."""

MOST_PRIORS_TEXT = 2_000_000
"""Characters of priors files whose priors are held; the longest unused go first."""
MOST_KNOWN = 1_000
"""Machine files with priors of which it is known that they have been made ready."""

BENCH_SHOP = LOCAL
"""Shop of whoever works at this computer without a key; that of `diagnose bench`."""


class Keeping:
    """Where jobs are kept."""

    def __init__(self, url: str | None, shelf: Shelf) -> None:
        """By URL; None for the file in the user's data folder."""
        self._url = url
        self._shelf = shelf
        self._lock = threading.Lock()
        self._store: Store | None = None
        self._known = Kept[bool](MOST_KNOWN, lambda _: 1)
        self._machines = Kept[Machine](MOST_MACHINES, lambda _: 1)
        self._overlays = Kept[tuple[int, Overlay]](MOST_PRIORS_TEXT, lambda held: held[0])

    def store(self) -> Store:
        """The store.

        Raises:
            StoreError: it cannot be opened.
        """
        with self._lock:
            if self._store is None:
                self._store = Store.open(self._url)
            return self._store

    def usable(self) -> bool:
        """Whether it can be read."""
        try:
            self.store().ping()
        except StoreError:
            return False
        return True

    def keeper(self, shop: str, *, only_known: bool = False) -> Keeper:
        """Opens jobs of a shop, reads them and goes on with them.

        Args:
            shop: id of the shop.
            only_known: whether it refuses what has not been made ready in this process before.
        """
        return Keeper(
            self.store(),
            shop,
            folder=self._shelf.folder,
            with_priors=self.laid_over,
            known=self._known,
            only_known=only_known,
        )

    def overlay(self, machine: Machine, text: str) -> Overlay:
        """The priors of a text, read once, since YAML takes its time.

        Raises:
            PriorsFileError, PriorsMismatchError: as `parse_overlay`.
        """
        key = (machine.content_hash, text_hash(text))
        return self._overlays.get(key, lambda: (len(text), parse_overlay(text, machine)))[1]

    def laid_over(self, machine: Machine, text: str) -> Machine:
        """A machine with the priors of a text; errors as `overlay`."""
        return self.overlay(machine, text).applied(machine)

    def machine(self, kept: KeptJob) -> Machine:
        """The machine that a job goes on with, as its file was read."""
        return self._machines.get(
            kept.archive_hash, lambda: machine_of(self.store().basis(basis_of(kept))[0])
        )

    def close(self) -> None:
        """Close all connections."""
        with self._lock:
            if self._store is not None:
                self._store.close()
                self._store = None
