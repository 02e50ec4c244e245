"""Files that are written whole or not at all: a full disk leaves what was there before."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


STREAMS = ("/dev/", "/proc/")
"""Names below these stand for what is open already, a file or not."""


def write_whole(path: str | Path, content: str | bytes) -> None:
    """Write a file: what was there before, or all of this; a text in UTF-8.

    Raises:
        OSError: it cannot be written; it stays as it was.
    """
    data = content.encode() if isinstance(content, str) else content
    write_pieces(path, (data,))


def write_pieces(path: str | Path, pieces: Iterable[bytes]) -> None:
    """The same from pieces that come one after the other.

    Raises:
        OSError: as `write_whole`.
    """
    with beside(path) as place, place.open("wb") as file:
        for piece in pieces:
            file.write(piece)
        file.flush()
        if place.is_file():
            os.fsync(file.fileno())


@contextlib.contextmanager
def beside(path: str | Path) -> Iterator[Path]:
    """A place to write to; it becomes the file when all has gone well, and goes when it has not.

    A link stays a link, a file keeps who may read it. What is no file, such as a pipe or
    `/dev/stdout`, is the place itself.

    Raises:
        OSError: it cannot be put there.
    """
    named = Path(path)
    if named.exists() and (not named.is_file() or str(named).startswith(STREAMS)):
        yield named
        return
    target = named.resolve()
    place = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}")
    try:
        yield place
        if target.exists():
            shutil.copymode(target, place)
        place.replace(target)
    except OSError as error:
        if error.filename in {None, str(place)}:  # nobody knows the name beside it
            raise type(error)(error.errno, error.strerror, str(path)) from error
        raise
    finally:
        place.unlink(missing_ok=True)
