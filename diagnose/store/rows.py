"""Whose rows are read: every read of what belongs to a shop begins here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from diagnose.errors import NotKeptError
from diagnose.store import tables

if TYPE_CHECKING:
    from sqlalchemy import Connection, RowMapping, Select, Table


def of_shop(shop: str, table: Table) -> Select[Any]:
    """All rows of a table that belong to a shop; steps belong to the shop of their job."""
    if "shop" in table.c:
        return select(table).where(table.c.shop == shop)
    owner = tables.openings.c
    return select(table).join(tables.openings).where(owner.shop == shop)


def one_of_shop(
    connection: Connection, shop: str, table: Table, job_id: str, *, held: bool = False
) -> RowMapping:
    """A shop's row of a job.

    Args:
        connection: in a transaction.
        shop: id of the shop.
        table: `jobs` or `openings`.
        job_id: id of the job.
        held: whether nobody else may change it until the transaction ends.

    Raises:
        NotKeptError: there is none, or it is another shop's.
    """
    query = of_shop(shop, table).where(table.c.job_id == job_id)
    row = connection.execute(query.with_for_update() if held else query).mappings().first()
    if row is None:
        raise NotKeptError("job", job_id)
    return row
