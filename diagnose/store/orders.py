"""Closed jobs as the two tables `orders` and `steps`, in the columns of the data dictionary."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select, tuple_

from diagnose.steps.columns import checked_row
from diagnose.steps.rows import step_row
from diagnose.store import tables
from diagnose.store.moments import moment_of
from diagnose.store.projection import step_of_row
from diagnose.store.rows import of_shop
from diagnose.store.since import changed_since

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from sqlalchemy import RowMapping

    from diagnose.store.database import Database

Row = dict[str, Any]

BATCH = 200
"""Orders read at once; between two batches nothing is held in the database."""

_PLAIN = (
    *("shop", "shop_reference", "machine", "machine_version", "opened_at", "closed_at"),
    *("temperature_celsius", "complaint_told", "complaint_seen", "ended", "cause_part"),
    *("cause_mode", "note", "labour_minutes", "comeback_of"),
)
"""Columns of `orders` that are called the same in `jobs`."""


def orders(database: Database, shop: str, since: datetime | None = None) -> Iterator[Row]:
    """The closed orders of a shop, the first closed first.

    Args:
        database: where they are kept.
        shop: id of the shop.
        since: changed then or later, by the time at which that was kept: one that was closed on a
            tablet without a connection is not missed. None for all.
    """
    for batch in _batches(database, shop, since):
        before = _closings(database, shop, batch)
        for row in batch:
            yield _order(row, before)


def order_steps(database: Database, shop: str, since: datetime | None = None) -> Iterator[Row]:
    """All steps of those orders, those taken back among them; order by order, in their order."""
    columns = tables.steps.c
    for batch in _batches(database, shop, since):
        place = {row["job_id"]: (number, row["version"]) for number, row in enumerate(batch)}
        query = of_shop(shop, tables.steps).where(columns.job_id.in_(list(place)))
        with database.reading() as connection:
            rows = list(connection.execute(query).mappings())
        # What was added since the batch was read is for the next time.
        rows = [row for row in rows if row["seq"] <= place[row["job_id"]][1]]
        for row in sorted(rows, key=lambda row: (place[row["job_id"]][0], row["seq"])):
            yield step_row(row["job_id"], step_of_row(row))


def shops(database: Database) -> tuple[str, ...]:
    """Ids of all shops that have a job, sorted; for who looks after the store itself."""
    with database.reading() as connection:
        query = select(tables.jobs.c.shop).distinct().order_by(tables.jobs.c.shop)
        return tuple(connection.execute(query).scalars())


def _batches(
    database: Database, shop: str, since: datetime | None
) -> Iterator[Sequence[RowMapping]]:
    columns = tables.jobs.c
    place, last = tuple_(columns.closed_at, columns.job_id), None
    query = of_shop(shop, tables.jobs).where(columns.status == "closed")
    if since is not None:
        with database.reading() as connection:
            query = query.where(changed_since(connection, shop, since))
    query = query.order_by(columns.closed_at, columns.job_id).limit(BATCH)
    while True:
        with database.reading() as connection:
            after = query if last is None else query.where(place > last)
            rows = connection.execute(after).mappings().all()
        if not rows:
            return
        yield rows
        last = (rows[-1]["closed_at"], rows[-1]["job_id"])


def _closings(
    database: Database, shop: str, batch: Sequence[RowMapping]
) -> dict[str, datetime | None]:
    """When the orders that others are comebacks of were closed."""
    earlier = [row["comeback_of"] for row in batch if row["comeback_of"] is not None]
    if not earlier:
        return {}
    columns = tables.jobs.c
    query = of_shop(shop, tables.jobs).with_only_columns(columns.job_id, columns.closed_at)
    with database.reading() as connection:
        rows = connection.execute(query.where(columns.job_id.in_(earlier))).all()
    return {job_id: moment_of(closed_at) for job_id, closed_at in rows}


def _order(row: RowMapping, before: dict[str, datetime | None]) -> Row:
    seen = None if row["cause_seen"] is None else "yes" if row["cause_seen"] else "no"
    order = {name: row[name] for name in _PLAIN}
    order |= {"order_id": row["job_id"], "priors_version": row["priors_hash"], "cause_seen": seen}
    closed, opened = before.get(row["comeback_of"] or ""), moment_of(row["opened_at"])
    if closed is not None and opened is not None and opened >= closed:
        order["days_to_comeback"] = round((opened - closed).total_seconds() / 86_400.0, 4)
    return checked_row("orders", order)
