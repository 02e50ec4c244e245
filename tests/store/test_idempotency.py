"""The same request twice: draft-ietf-httpapi-idempotency-key-header, sections 2.6 and 2.7."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest

from diagnose.errors import IdempotencyError, RequestError, VersionConflictError
from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.store import idempotency
from diagnose.store.records import RequestKey
from diagnose.store.store import Store
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from tests.store.conftest import Clock

BARN = "barn"
OPENING = Opening(machine="barn_pump", complaint="dead")
KEY = RequestKey("8e03978e-40d5-43dd-bc93-6894a57f9324", "a" * 64)
OTHER_BODY = RequestKey(KEY.key, "b" * 64)


def test_the_same_key_gets_the_same_answer(store: Store) -> None:
    assert store.begin_request(BARN, KEY) is None
    job = store.open_job(BARN, OPENING, PUMP, key=KEY)
    store.finish_request(BARN, KEY.key, '{"job": 1}')
    again = store.begin_request(BARN, KEY)
    assert again is not None
    assert (again.answer, again.done) == ('{"job": 1}', {"job_id": job.job_id, "version": 0})
    assert store.open_job(BARN, OPENING, PUMP, key=KEY) == job
    assert len(store.jobs(BARN).jobs) == 1


def test_another_body_is_refused(store: Store) -> None:
    store.open_job(BARN, OPENING, PUMP, key=KEY)
    for asks in (
        lambda: store.begin_request(BARN, OTHER_BODY),
        lambda: store.open_job(BARN, OPENING, PUMP, key=OTHER_BODY),
    ):
        with pytest.raises(IdempotencyError) as met:
            asks()
        assert not met.value.in_flight
    assert len(store.jobs(BARN).jobs) == 1


def test_one_that_is_being_worked_on_is_refused_until_it_is_taken_for_dead(
    store: Store, clock: Clock
) -> None:
    assert store.begin_request(BARN, KEY) is None
    with pytest.raises(IdempotencyError) as met:
        store.begin_request(BARN, KEY)
    assert met.value.in_flight
    clock.go_on(minutes=2)
    assert store.begin_request(BARN, KEY) is None


def test_one_that_failed_may_be_tried_again(store: Store) -> None:
    assert store.begin_request(BARN, KEY) is None
    store.drop_request(BARN, KEY.key)
    assert store.begin_request(BARN, KEY) is None
    store.open_job(BARN, OPENING, PUMP, key=KEY)
    store.drop_request(BARN, KEY.key)  # too late: it has written
    assert store.begin_request(BARN, KEY) is not None


def test_steps_under_a_key_are_kept_once(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    steps = [kinds.Tools(), kinds.SetAside(test="listen")]
    assert store.appended_before(BARN, KEY) is None
    first = store.append_steps(BARN, job.job_id, 0, steps, key=KEY)
    store.append_steps(BARN, job.job_id, 2, [kinds.Undone()])
    again = store.append_steps(BARN, job.job_id, 0, steps, key=KEY)
    assert (first.again, again.again) == (False, True)
    assert again.steps == first.steps
    assert again.job.version == 3  # somebody has gone on since
    assert store.appended_before(BARN, KEY) == again
    with pytest.raises(VersionConflictError):
        store.append_steps(BARN, job.job_id, 0, steps, key=RequestKey("another", "a" * 64))


def test_one_that_was_refused_holds_no_key(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    with pytest.raises(VersionConflictError):
        store.append_steps(BARN, job.job_id, 7, [kinds.Tools()], key=KEY)
    assert store.append_steps(BARN, job.job_id, 0, [kinds.Tools()], key=KEY).again is False


def test_a_key_is_its_shops_own(store: Store) -> None:
    store.open_job(BARN, OPENING, PUMP, key=KEY)
    assert store.begin_request("yard", OTHER_BODY) is None


def test_of_many_at_once_one_writes(store: Store, url: str) -> None:
    """Eight threads with one key: one job, and all of them are told of that one."""
    told: list[str] = []

    def ask() -> None:
        mine = Store.open(url)
        while True:
            try:
                told.append(mine.open_job(BARN, OPENING, PUMP, key=KEY).job_id)
            except IdempotencyError as error:
                if not error.in_flight:
                    raise
                continue
            break
        mine.close()

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(told) == 8
    assert len(set(told)) == len(store.jobs(BARN).jobs) == 1


def test_answers_are_kept_thirty_days(store: Store, clock: Clock) -> None:
    store.open_job(BARN, OPENING, PUMP, key=KEY)
    clock.go_on(days=30)
    assert store.begin_request(BARN, RequestKey("x", "c" * 64)) is None
    assert store.begin_request(BARN, KEY) is not None
    clock.go_on(seconds=1, hours=1)
    store.begin_request(BARN, RequestKey("y", "c" * 64))
    assert store.begin_request(BARN, KEY) is None


def test_the_oldest_go_where_there_are_too_many(store: Store, clock: Clock) -> None:
    for number in range(5):
        clock.go_on(seconds=1)
        store.begin_request(BARN, RequestKey(f"key {number}", "c" * 64))
    store.begin_request("yard", RequestKey("old", "c" * 64))
    with store._database.writing() as connection:
        assert idempotency.purge(connection, clock.at, most=2) == 3
    for number, kept in enumerate((False, False, False, True, True)):
        if kept:
            with pytest.raises(IdempotencyError):
                store.begin_request(BARN, RequestKey(f"key {number}", "c" * 64))
        else:
            assert store.begin_request(BARN, RequestKey(f"key {number}", "c" * 64)) is None


def test_a_long_answer_is_not_kept_but_what_was_done_is(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP, key=KEY)
    store.finish_request(BARN, KEY.key, "x" * (idempotency.MOST_ANSWER + 1))
    again = store.begin_request(BARN, KEY)
    assert again is not None
    assert (again.answer, again.done["job_id"]) == (None, job.job_id)


@pytest.mark.parametrize("key", ["", "k" * 201, "a\0b"])
def test_a_key_that_cannot_be_kept_is_refused(store: Store, key: str) -> None:
    with pytest.raises(RequestError, match="idempotency_key"):
        store.begin_request(BARN, RequestKey(key, "a" * 64))
