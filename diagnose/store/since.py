"""Jobs that were changed then or later: by an index where they are few, else in the list's order.

SQLite takes the index in any case, also where nearly every row is meant; then it sorts all of them
anew for each page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, select

from diagnose.store.moments import moment_text
from diagnose.store.rows import of_shop
from diagnose.store.tables import jobs

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import ColumnElement, Connection

FEW = 2_000


def changed_since(connection: Connection, shop: str, since: datetime) -> ColumnElement[bool]:
    """The condition for jobs of a shop that were changed at a time or later."""
    moment = moment_text(since)
    some = of_shop(shop, jobs).with_only_columns(jobs.c.job_id).where(jobs.c.changed_at >= moment)
    counted = select(func.count()).select_from(some.limit(FEW + 1).subquery())
    few = connection.execute(counted).scalar_one() <= FEW
    # What is not the column itself is in no index.
    column = jobs.c.changed_at if few else jobs.c.changed_at.concat("")
    return column >= moment
