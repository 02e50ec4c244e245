"""Texts kept once under their content hash: machine files, as written and as read, and priors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select, update

from diagnose.errors import FullError, NotKeptError, OtherPriorsError, RequestError
from diagnose.store.database import insert_new
from diagnose.store.moments import moment_of, moment_text
from diagnose.store.records import Adoption, MachineFile, text_hash
from diagnose.store.rows import of_shop
from diagnose.store.tables import NAME, archives, machine_files, overlays, priors

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection, RowMapping

MOST_TEXT = 4_000_000
"""Characters of a machine file, of its archive or of priors."""


def keep_file(connection: Connection, file: MachineFile) -> None:
    """Keep a machine file, once.

    Raises:
        FullError: it is longer than is kept.
        RequestError: an id or version that is empty or too long.
    """
    check_name("machine", file.machine)
    check_name("machine_version", file.version)
    for text in (file.text, file.archive):
        _check_length(text)
    row = {"hash": file.archive_hash, "text": file.archive}
    insert_new(connection, archives, row)
    row = {"hash": file.hash, "archive_hash": file.archive_hash, "text": file.text}
    names = {"machine": file.machine, "version": file.version}
    insert_new(connection, machine_files, row | names)


def file_of(connection: Connection, file_hash: str, archive_hash: str) -> MachineFile:
    """A machine file by its hashes.

    Raises:
        NotKeptError: it is not kept.
    """
    query = (
        select(machine_files, archives.c.text.label("archive"))
        .join(archives)
        .where(machine_files.c.hash == file_hash)
        .where(machine_files.c.archive_hash == archive_hash)
    )
    row = connection.execute(query).mappings().first()
    if row is None:
        raise NotKeptError("machine file", file_hash)
    return MachineFile(row["machine"], row["version"], row["text"], row["archive"])


def overlay_of(connection: Connection, overlay_hash: str) -> str:
    """The text of priors by its hash.

    Raises:
        NotKeptError: it is not kept.
    """
    query = select(overlays.c.text).where(overlays.c.hash == overlay_hash)
    text = connection.execute(query).scalar()
    if text is None:
        raise NotKeptError("priors", overlay_hash)
    return str(text)


def check_current(connection: Connection, shop: str, machine: str, expected: int | None) -> None:
    """Go on only where these priors still hold; None for whichever hold.

    Raises:
        OtherPriorsError: others do.
    """
    if expected is None:
        return
    held = current(connection, shop, machine)
    met = 0 if held is None else held.adoption
    if met != expected:
        raise OtherPriorsError(machine, expected, met)


def adopt(
    connection: Connection, shop: str, machine: str, text: str, by: str, now: datetime
) -> Adoption:
    """Take priors for a machine of a shop; they hold for jobs opened from now on."""
    for place, name in (("shop", shop), ("machine", machine), ("by", by)):
        check_name(place, name)
    _check_length(text)
    known = text_hash(text)
    insert_new(connection, overlays, {"hash": known, "machine": machine, "text": text})
    row = {"shop": shop, "machine": machine, "hash": known}
    row |= {"adopted_at": moment_text(now), "adopted_by": by}
    made = connection.execute(priors.insert().values(**row).returning(*priors.c))
    return _adoption(made.mappings().one())


def current(connection: Connection, shop: str, machine: str) -> Adoption | None:
    """The priors that hold for a machine of a shop; None for the file's own."""
    query = of_shop(shop, priors).where(priors.c.machine == machine)
    query = query.where(priors.c.rolled_back_at.is_(None))
    row = connection.execute(query.order_by(priors.c.adoption.desc()).limit(1)).mappings().first()
    return None if row is None else _adoption(row)


def adoptions(connection: Connection, shop: str, machine: str | None) -> tuple[Adoption, ...]:
    """All priors that a shop took, the oldest first; those rolled back among them."""
    query = of_shop(shop, priors)
    if machine is not None:
        query = query.where(priors.c.machine == machine)
    rows = connection.execute(query.order_by(priors.c.adoption)).mappings()
    return tuple(_adoption(row) for row in rows)


def adoption(connection: Connection, shop: str, machine: str, number: int) -> Adoption:
    """Priors that a shop took for a machine, by their number.

    Raises:
        NotKeptError: there are none.
    """
    query = of_shop(shop, priors).where(priors.c.machine == machine)
    row = connection.execute(query.where(priors.c.adoption == number)).mappings().first()
    if row is None:
        raise NotKeptError("adoption", str(number))
    return _adoption(row)


def roll_back(connection: Connection, shop: str, machine: str, by: str, now: datetime) -> Adoption:
    """Go back to the priors before the current ones.

    Raises:
        NotKeptError: there are none.
    """
    held = current(connection, shop, machine)
    if held is None:
        raise NotKeptError("priors for", machine)
    done = update(priors).where(priors.c.adoption == held.adoption)
    done = done.values(rolled_back_at=moment_text(now), rolled_back_by=by)
    row = connection.execute(done.returning(*priors.c)).mappings().one()
    return _adoption(row)


def _adoption(row: RowMapping) -> Adoption:
    times = {name: moment_of(row[name]) for name in ("adopted_at", "rolled_back_at")}
    return Adoption(**{**row, **times})


def check_name(place: str, name: str) -> None:
    """Refuse a name that is empty, too long for its column, or has what no text has.

    Raises:
        RequestError: with the place.
    """
    if not 1 <= len(name) <= NAME or "\0" in name:
        raise RequestError(f"expected 1 to {NAME} characters", place)


def _check_length(text: str) -> None:
    if len(text) > MOST_TEXT:
        raise FullError("characters of a text", MOST_TEXT)
