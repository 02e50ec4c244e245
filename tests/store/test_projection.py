"""The projection is what the log comes to, whatever was done; and so is the job."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from diagnose.errors import DiagnoseError, WrongStateError
from diagnose.steps import kinds
from diagnose.steps.apply import apply, replay, settled
from diagnose.steps.opening import Opening
from diagnose.steps.status import KeptStep, check_order
from diagnose.store.records import MachineFile
from diagnose.store.tables import jobs
from tests.steps.cart import CART, bare, cart_job, told_steps

if TYPE_CHECKING:
    from diagnose.store.store import Store

FILE = MachineFile("barn_cart", "1", CART.read_text("utf-8"), "{}")
OPENING = Opening(machine="barn_cart", complaint="silent")

CLOSINGS = st.builds(
    kinds.Closed,
    ended=st.sampled_from(kinds.ENDINGS),
    cause_part=st.none() | st.just("unlisted"),
    note=st.sampled_from(["", "rust"]),
    labour_minutes=st.none() | st.floats(0.0, 500.0),
)
STEPS = st.lists(st.lists(told_steps() | CLOSINGS, min_size=1, max_size=3), max_size=8)


def rows(store: Store) -> list[dict[str, object]]:
    with store._database.reading() as connection:
        query = select(jobs).order_by(jobs.c.job_id)
        return [dict(row) for row in connection.execute(query).mappings()]


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(STEPS)
def test_rebuilt_from_the_log_it_is_the_same(
    store: Store, batches: list[list[kinds.AnyStep]]
) -> None:
    """Steps are taken as somebody at the bench would: what the job refuses is not told."""
    kept = store.open_job("barn", OPENING, FILE)
    job, log = cart_job(), []
    for batch in batches:
        taken = []
        for step in batch:
            try:
                check_order([*log, *_numbered(log, [each.step for each in taken])], [step])
                apply(job, step)
            except DiagnoseError:
                continue
            taken.append(settled(job, step))
            job = taken[-1].job
        noted = [each.noted for each in taken]
        steps = [each.step for each in taken]
        done = store.append_steps("barn", kept.job_id, kept.version, steps, noted=noted)
        kept, log = done.job, [*log, *done.steps]
    stored = store.log("barn", kept.job_id)
    assert stored.job == kept
    assert stored.steps == tuple(log)
    again = replay(bare(), stored.opening, [each.step for each in stored.steps])
    assert (again.situation, again.skipped) == (job.situation, job.skipped)
    before = rows(store)
    store.rebuild()
    assert rows(store) == before
    assert store.check() == ()


def _numbered(log: list[KeptStep], steps: list[kinds.AnyStep]) -> list[KeptStep]:
    return [KeptStep(seq=len(log) + n, step=step) for n, step in enumerate(steps, 1)]


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(told_steps() | CLOSINGS, max_size=12))
def test_what_is_refused_is_refused_step_by_step_and_at_once(
    store: Store, steps: list[kinds.AnyStep]
) -> None:
    """All at once is kept exactly where each by itself would be; else nothing is."""
    single = store.open_job("barn", OPENING, FILE)
    refused = False
    for step in steps:
        try:
            single = store.append_steps("barn", single.job_id, single.version, [step]).job
        except WrongStateError:
            refused = True
            break
    whole = store.open_job("barn", OPENING, FILE)
    try:
        whole = store.append_steps("barn", whole.job_id, 0, steps).job
    except WrongStateError:
        assert refused
        assert store.job("barn", whole.job_id).version == 0
    else:
        assert not refused
        assert (whole.status, whole.version) == (single.status, single.version)
