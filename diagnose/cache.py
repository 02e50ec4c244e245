"""Bundles of named arrays on disk, found again by the hash of what they were made from.

A bundle is one uncompressed `.npz` without pickle, with a checksum inside. It is written beside
its place and moved there in one step, so a reader never sees half of one. A cache must never be
the reason that something fails: what is damaged, foreign or cannot be read counts as absent, and
what cannot be written is not kept. A checksum tells damage, not malice; so bundles lie only in a
folder that nobody else may write.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import struct
import tempfile
import time
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, BinaryIO

import numpy as np

try:
    import fcntl
except ImportError:  # not everywhere
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

LOCK = "first-start.lock"
LONGEST_WAIT_SECONDS = 180.0
"""After that a start goes on by itself."""

FORMAT_VERSION = b"nostart-diagnose bundle 1"
DIRECTORY_VARIABLE = "NOSTART_CACHE_DIR"
CHECKSUM = "_sha256"

MOST_BYTES = 500_000_000
"""All bundles together; the longest unused go first."""

_BEFORE_LENGTHS = 26
"""Bytes of a member's header in a zip file before the lengths of its name and of what follows."""

_SAFE_NAME = re.compile(r"[A-Za-z0-9_.-]{1,128}")


def content_hash(*parts: bytes) -> str:
    """SHA-256 in hex over the format version and the parts, each with its length before it."""
    digest = hashlib.sha256(FORMAT_VERSION)
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return digest.hexdigest()


@lru_cache(maxsize=8)
def source_hash(layers: tuple[str, ...]) -> bytes:
    """Hash of the source of some layers of this program, in that order."""
    digest = hashlib.sha256()
    root = Path(__file__).parent
    for layer in layers:
        for file in sorted((root / layer).glob("*.py")):
            digest.update(file.read_bytes())
    return digest.digest()


def directory() -> Path:
    """Where bundles lie: `NOSTART_CACHE_DIR`, else `nostart-diagnose` in the user's cache.

    A user without a home has them in a folder of his own beside other temporary files.
    """
    chosen = os.environ.get(DIRECTORY_VARIABLE)
    if chosen:
        return Path(chosen)
    base = os.environ.get("XDG_CACHE_HOME")
    with contextlib.suppress(RuntimeError, OSError):
        top = Path(base) if base else Path("~/.cache").expanduser()
        if base or _writable(top):
            return top / "nostart-diagnose"
    return Path(tempfile.gettempdir()) / f"nostart-diagnose-{_user()}"


def _writable(folder: Path) -> bool:
    """Whether something can be put into a folder, or it can be made."""
    there = next((up for up in (folder, *folder.parents) if up.exists()), folder)
    return os.access(there, os.W_OK | os.X_OK)


def _user() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0


def private_folder(name: str = "") -> Path | None:
    """The folder of bundles, or one in it, made where it is missing; None unless it is safe.

    It is when it can be written and belongs to this user or the administrator, and nobody else may
    write into it.
    """
    folder = directory() / name
    try:
        for each in (directory(), folder):
            each.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError:
        return None
    safe = _nobody_elses(directory()) and _nobody_elses(folder)
    return folder if safe and os.access(folder, os.W_OK | os.X_OK) else None


def _nobody_elses(place: Path) -> bool:
    """Whether nobody but this user and the administrator may write a file or folder."""
    if not hasattr(os, "getuid"):
        return True
    try:
        status = place.stat()
    except OSError:
        return False
    return status.st_uid in (_user(), 0) and not status.st_mode & 0o022


def held_bytes() -> int:
    """Bytes that all bundles take on disk."""
    total = 0
    with contextlib.suppress(OSError):
        total = sum(file.stat().st_size for file in directory().glob("*.npz"))
    return total


def load(kind: str, key: str) -> dict[str, NDArray[Any]] | None:
    """The bundle stored under a kind and key, or None when there is no sound one."""
    place = _place(kind, key)
    if not (_nobody_elses(place.parent) and _nobody_elses(place)):
        return None
    try:
        with place.open("rb") as file:
            arrays = _arrays_in(file)
        checksum = arrays.pop(CHECKSUM).tobytes()
        with contextlib.suppress(OSError):
            os.utime(place)
    except Exception:
        return None
    return arrays if checksum == _checksum(kind, key, arrays) else None


def _arrays_in(file: BinaryIO) -> dict[str, NDArray[Any]]:
    """The arrays of an `.npz`, read straight into their place in memory.

    `np.load` reads them in small pieces and adds up a checksum of its own, which takes twice as
    long as all else; here `_checksum` tells damage.
    """
    arrays = {}
    with zipfile.ZipFile(file) as held:
        for member in held.infolist():
            file.seek(member.header_offset + _BEFORE_LENGTHS)
            file.seek(sum(struct.unpack("<HH", file.read(4))), os.SEEK_CUR)  # its name, and more
            name = member.filename.removesuffix(".npy")
            arrays[name] = np.lib.format.read_array(file, allow_pickle=False)
    return arrays


def store(kind: str, key: str, arrays: Mapping[str, NDArray[Any]]) -> bool:
    """Keeps a bundle; says whether it could.

    Args:
        kind: what it is, e.g. `"network"`; letters, digits, `_`, `.` and `-`.
        key: a `content_hash`.
        arrays: arrays of plain numbers or bytes, no objects.

    Raises:
        ValueError: for a kind, key or array that could never be stored; that is a programming
            error, not a full disk.
    """
    place = _place(kind, key)
    plain = {name: np.ascontiguousarray(array) for name, array in arrays.items()}
    if CHECKSUM in plain or any(array.dtype.hasobject for array in plain.values()):
        raise ValueError("only named arrays without objects can be stored")
    buffer = io.BytesIO()
    checksum = np.frombuffer(_checksum(kind, key, plain), np.uint8)
    np.savez(buffer, allow_pickle=False, **{**plain, CHECKSUM: checksum})
    unfinished: str | None = None
    if private_folder() is None:
        return False
    try:
        handle, unfinished = tempfile.mkstemp(prefix=".unfinished-", dir=place.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(buffer.getbuffer())
        Path(unfinished).replace(place)
    except OSError:
        if unfinished is not None:
            with contextlib.suppress(OSError):
                Path(unfinished).unlink()
        return False
    _evict(place)
    return True


@contextlib.contextmanager
def one_at_a_time(told: Callable[[str], None]) -> Iterator[None]:
    """Let one process of several do what all of them are about to do; the others wait for it.

    Six first starts at once would compile the same kernels and solve the same machine six times.
    Where there are no locks, the folder cannot be written, or the one that works takes too long,
    nobody waits.

    Args:
        told: called with a sentence when there is something to wait for.
    """
    with contextlib.ExitStack() as stack:
        folder = private_folder()
        if folder is not None:
            with contextlib.suppress(OSError):
                _wait_for(stack.enter_context((folder / LOCK).open("a")), told)
        yield


def _wait_for(file: IO[str], told: Callable[[str], None]) -> None:
    """Take the lock on a file, which goes when the file is closed or its process ends."""
    if fcntl is None:
        return
    begun = time.monotonic()
    waits = 0
    while time.monotonic() - begun < LONGEST_WAIT_SECONDS:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if not waits:
                told("another start is getting ready; waiting for it")
            waits += 1
            time.sleep(0.1)
        else:
            return


def _evict(newest: Path) -> None:
    """Delete bundles until the others fit; the newest stays."""
    with contextlib.suppress(OSError):
        stats = [(file, file.stat()) for file in newest.parent.glob("*.npz") if file != newest]
        room = MOST_BYTES - newest.stat().st_size
        for file, stat in sorted(stats, key=lambda known: -known[1].st_mtime):
            room -= stat.st_size
            if room < 0:
                file.unlink(missing_ok=True)


def _place(kind: str, key: str) -> Path:
    for name in (kind, key):
        if not _SAFE_NAME.fullmatch(name) or name.startswith("."):
            raise ValueError(f"{name!r} cannot name a bundle")
    return directory() / f"{kind}-{key}.npz"


def _checksum(kind: str, key: str, arrays: Mapping[str, NDArray[Any]]) -> bytes:
    digest = hashlib.sha256(FORMAT_VERSION)
    digest.update(f"{kind}\0{key}\0".encode())
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        digest.update(f"{name}\0{array.dtype.str}\0{array.shape}\0".encode())
        digest.update(array.data if array.size else b"")
    return digest.digest()
