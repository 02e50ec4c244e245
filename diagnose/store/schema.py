"""The version of the tables, and bringing them up to date."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from sqlalchemy import inspect, text

from diagnose.errors import StoreError, StoreVersionError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from diagnose.store.database import Database

HEAD = "0002"
"""The latest version of the tables, and the one that this program works with."""

LOCK = 731_204_118
"""Number of the lock under which PostgreSQL changes its tables; any number that is ours."""


def version_of(connection: Connection) -> str | None:
    """The version that the tables have; None where there are none yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def check_version(database: Database) -> None:
    """Make the tables of an empty database; refuse those of another version.

    Raises:
        StoreVersionError: they are of another version; it says what to do.
        StoreError: it cannot be reached.
    """
    with database.reading() as connection:
        version = version_of(connection)
    if version is None:
        upgrade(database)
    elif version != HEAD:
        newer = "newer than this program" if version > HEAD else "older"
        do = "install a newer version" if version > HEAD else "run `diagnose store upgrade`"
        raise StoreVersionError(f"the store {database.name} has version {version}, {newer}; {do}")


def upgrade(database: Database) -> tuple[str | None, str]:
    """Bring the tables to the latest version, all or nothing; the version before and after.

    Raises:
        StoreError: the database cannot be written, or is newer than this program.
    """
    from alembic import command  # noqa: PLC0415  only for an empty or an old database
    from alembic.config import Config  # noqa: PLC0415

    with database.writing() as connection:
        if not database.is_sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
        before = version_of(connection)
        if before is not None and before > HEAD:
            raise StoreError(f"the store {database.name} has version {before}, newer than this")
        if before != HEAD:
            folder = resources.files("diagnose.store").joinpath("migrations")
            config = Config()
            config.set_main_option("script_location", str(folder).replace("%", "%%"))
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    return before, HEAD
