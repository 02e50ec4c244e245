"""Where jobs are kept."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from diagnose.errors import StoreError

STORE_VARIABLE = "NOSTART_STORE"
"""Environment variable with the URL of the store."""

FILE_NAME = "jobs.sqlite"


def store_url() -> str:
    """`NOSTART_STORE`, else a SQLite file in the user's data folder.

    Raises:
        StoreError: there is no such folder, as for a user without a home.
    """
    chosen = os.environ.get(STORE_VARIABLE)
    return chosen or f"sqlite:///{data_folder() / FILE_NAME}"


def data_folder() -> Path:
    """The folder of this program for the user's data, as the platform has it.

    Raises:
        StoreError: the user has no home.
    """
    try:
        return _data_home() / "nostart-diagnose"
    except RuntimeError:
        raise StoreError(
            f"there is no folder to keep jobs in: this user has no home; set {STORE_VARIABLE}"
        ) from None


def _data_home() -> Path:
    """Per platform; elsewhere than on Windows and macOS the XDG base directories."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
        return Path(base) if base else Path("~/AppData/Local").expanduser()
    if sys.platform == "darwin":
        return Path("~/Library/Application Support").expanduser()
    base = os.environ.get("XDG_DATA_HOME")
    usable = base is not None and Path(base).is_absolute()
    return Path(base or "") if usable else Path("~/.local/share").expanduser()
