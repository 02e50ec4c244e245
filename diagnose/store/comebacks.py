"""The earlier order that a job is a comeback of: it has to be there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.errors import RequestError, UnknownNameError
from diagnose.store.rows import of_shop
from diagnose.store.tables import jobs

if TYPE_CHECKING:
    from sqlalchemy import Connection

MOST_NAMED = 200
"""Orders among which the nearest is looked for: the latest, and as many that begin alike."""

ALIKE = 3
"""Characters at the beginning by which an older order is found."""


def check_comeback(
    connection: Connection, shop: str, machine: str, earlier: str | None, place: str, own: str = ""
) -> None:
    """Refuse an earlier order that the shop does not have, or has of another machine.

    Args:
        connection: in a transaction.
        shop: id of the shop; another's orders are not there.
        machine: id of the machine that came back.
        earlier: id of the earlier order; None for none.
        place: where it was given, for the error.
        own: id of the job itself, where it has one.

    Raises:
        UnknownNameError: there is no such order; with the nearest there is.
        RequestError: it is of another machine, or the job itself.
    """
    if earlier is None:
        return
    if earlier == own:
        raise RequestError("a job is no comeback of itself; name the earlier order", place)
    query = of_shop(shop, jobs).with_only_columns(jobs.c.machine).where(jobs.c.job_id == earlier)
    known = connection.execute(query).scalar()
    if known is None:
        raise UnknownNameError("order", earlier, _like(connection, shop, machine, earlier), place)
    if known != machine:
        raise RequestError(f"order {earlier} is of machine {known!r}, not of {machine!r}", place)


def _like(connection: Connection, shop: str, machine: str, earlier: str) -> list[str]:
    """Ids of the shop's orders of a machine, those that begin alike first, then the latest."""
    every = of_shop(shop, jobs).with_only_columns(jobs.c.job_id).where(jobs.c.machine == machine)
    begins = jobs.c.job_id.startswith(earlier[:ALIKE], autoescape=True)
    latest = every.order_by(jobs.c.opened_at.desc(), jobs.c.job_id)
    alike = every.where(begins).order_by(jobs.c.job_id)
    names: dict[str, None] = {}
    for query in (alike, latest):
        names |= dict.fromkeys(connection.execute(query.limit(MOST_NAMED)).scalars())
    return list(names)
