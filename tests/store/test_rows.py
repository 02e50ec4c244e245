"""Every read of what belongs to a shop names the shop."""

from __future__ import annotations

import inspect
import re
from typing import TYPE_CHECKING, Any

from sqlalchemy import event

from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.store.records import RequestKey
from diagnose.store.store import Store
from diagnose.store.tables import metadata
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from collections.abc import Callable

OWNED = {"jobs", "steps", "openings", "priors", "idempotency"}
"""Tables of which every row belongs to a shop; machine files and priors' texts go by content."""

WITHOUT_SHOP = {
    *("open", "close", "ping", "check", "rebuild", "backup", "export"),  # the store's own keeper
    *("keep_machine_file", "basis"),  # by content
    *("add_key", "known_keys", "revoke_key", "verify_key"),  # they say which shop it is
}


def test_every_method_asks_whose_rows_they_are() -> None:
    methods = {
        name: method
        for name, method in inspect.getmembers(Store, inspect.isroutine)
        if not name.startswith("_")
    }
    for name, method in methods.items():
        names = list(inspect.signature(method).parameters)
        asks = "shop" in names[:3]
        assert asks != (name in WITHOUT_SHOP) or name in {"add_key", "known_keys"}, name


def test_no_row_is_read_without_its_shop(store: Store) -> None:
    """Looked at in the statements themselves; those that the tables' own keeper makes excepted."""
    said: list[str] = []

    def note(_: Any, __: Any, statement: str, *___: Any) -> None:
        said.append(" ".join(statement.split()))

    first = store.open_job("barn", Opening(machine="barn_pump", complaint="dead"), PUMP)
    job = store.open_job("barn", Opening(machine="barn_pump", complaint="dead"), PUMP)
    store.adopt_priors("barn", "barn_pump", "rates: 1", "Ruth")
    key = RequestKey("k", "a" * 64)
    steps = [kinds.Tools(), kinds.Closed(ended="given_up", comeback_of=first.job_id)]
    asked: list[Callable[[], object]] = [
        lambda: store.append_steps("barn", job.job_id, 0, steps, key=key),
        lambda: store.append_steps("barn", job.job_id, 0, steps, key=key),
        lambda: store.job("barn", job.job_id),
        lambda: store.log("barn", job.job_id),
        lambda: store.steps("barn", job.job_id),
        lambda: store.jobs("barn"),
        lambda: store.machine_file("barn", job.job_id),
        lambda: store.priors_of_job("barn", job.job_id),
        lambda: store.current_priors("barn", "barn_pump"),
        lambda: store.adoptions("barn"),
        lambda: store.appended_before("barn", key),
        lambda: list(store.orders("barn")),
        lambda: list(store.order_steps("barn")),
        lambda: store.finish_request("barn", "k", "{}"),
        lambda: store.drop_request("barn", "k"),
    ]
    event.listen(store._database.engine, "before_cursor_execute", note)
    for ask in asked:
        ask()
    event.remove(store._database.engine, "before_cursor_execute", note)
    reads = [line for line in said if line.startswith("SELECT")]
    seen = set()
    for line in reads:
        tables = {name for name in metadata.tables if re.search(rf"\b(FROM|JOIN) {name}\b", line)}
        seen |= tables
        if tables & OWNED:
            assert re.search(r"\bWHERE .*\bshop = ", line), line
    assert seen >= OWNED
