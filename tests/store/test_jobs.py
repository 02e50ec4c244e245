"""Jobs in the store: what was kept is there, once, in order, for its shop only."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event, inspect

from diagnose.errors import (
    FullError,
    NotKeptError,
    RequestError,
    StoreError,
    UnknownNameError,
    VersionConflictError,
    WrongStateError,
)
from diagnose.steps import kinds
from diagnose.steps.opening import Opening
from diagnose.steps.status import Noted
from diagnose.store.jobs import MOST_STEPS, Filter
from diagnose.store.records import MachineFile
from diagnose.store.store import Store
from tests.store.conftest import PUMP

if TYPE_CHECKING:
    from pathlib import Path

    from tests.store.conftest import Clock

BARN, YARD = "barn", "yard"
OPENING = Opening(
    machine="barn_pump",
    complaint="dead",
    tools=("multimeter",),
    open_areas=("cover",),
    temperature_celsius=-4.5,
    shop_reference="W-17",
    by="Ruth",
)


def test_a_job_is_kept_as_it_was_opened(store: Store, clock: Clock) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    assert (job.version, job.status, job.machine_version) == (0, "open", "1.2")
    assert (job.complaint_told, job.complaint_seen) == ("dead", None)
    log = store.log(BARN, job.job_id)
    assert log.job == job == store.job(BARN, job.job_id)
    assert log.opening == replace(OPENING, at=clock.at)
    assert log.steps == ()
    assert store.machine_file(BARN, job.job_id) == PUMP


def test_steps_come_back_as_they_were_kept(store: Store, clock: Clock) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    at = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
    first = kinds.Found(
        test="battery_rest", reading=12.4, unit="V", outcome="good", sure=0.7, at=at, by="Ruth"
    )
    later = kinds.SetAside(test="listen_pump", note="too loud: «Säge» läuft", minutes=0.5)
    noted = [
        Noted(advised="test battery_rest", tool_version="0.2.0"),
        Noted(advised="repair relay.replace", tool_version="0.2.0", shown=None),
    ]
    done = store.append_steps(BARN, job.job_id, 0, [first, later], noted=noted)
    kept = store.log(BARN, job.job_id).steps
    assert done.steps == kept
    assert [each.seq for each in kept] == [1, 2]
    assert kept[0].step == first
    assert kept[1].step == replace(later, at=clock.at)
    assert [each.noted for each in kept] == noted
    assert done.job.version == 2
    assert store.steps(BARN, job.job_id, after=1) == kept[1:]


def test_the_row_follows_the_steps(store: Store, clock: Clock) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    clock.go_on(minutes=10)
    tried = kinds.Found(test="try", outcome="one_click")
    told = kinds.Told(complaint="silent")
    done = store.append_steps(
        BARN, job.job_id, 0, [tried, told], noted=[Noted(shown="one_click"), Noted()]
    )
    assert (done.job.complaint_told, done.job.complaint_seen) == ("silent", "one_click")
    repaired = kinds.Repaired(part="relay", repair="replace", shown="runs", minutes=12.0)
    assert store.append_steps(BARN, job.job_id, 2, [repaired]).job.status == "runs"
    clock.go_on(minutes=10)
    closed = kinds.Closed(
        ended="runs",
        cause_part="relay",
        cause_mode="open",
        cause_seen=True,
        note="water in it",
        minutes=3.0,
    )
    job = store.append_steps(BARN, job.job_id, 3, [closed]).job
    assert (job.status, job.ended, job.cause_part, job.cause_mode) == (
        "closed",
        "runs",
        "relay",
        "open",
    )
    assert (job.cause_seen, job.note, job.labour_minutes) == (True, "water in it", 15.0)
    assert job.closed_at == clock.at
    job = store.append_steps(BARN, job.job_id, 4, [kinds.Reopened()]).job
    assert (job.status, job.ended, job.closed_at, job.cause_part) == ("open", None, None, None)
    assert store.check() == ()


def test_what_is_taken_back_counts_no_more(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    steps = [
        kinds.Told(complaint="silent"),
        kinds.Repaired(part="relay", repair="replace", shown="runs"),
        kinds.Undone(),
    ]
    assert store.append_steps(BARN, job.job_id, 0, steps).job.status == "open"
    job = store.append_steps(BARN, job.job_id, 3, [kinds.Undone()]).job
    assert (job.complaint_told, job.version) == ("dead", 4)
    assert store.append_steps(BARN, job.job_id, 4, [kinds.Undone()]).job.complaint_told == "dead"


@pytest.mark.parametrize(
    ("before", "refused"),
    [
        ((), kinds.Reopened()),
        ((kinds.Closed(ended="given_up"),), kinds.Told(complaint="silent")),
        ((kinds.Closed(ended="given_up"),), kinds.Closed(ended="given_up")),
        ((kinds.HandedOver(),), kinds.Withdrawn(test="battery_rest")),
    ],
)
def test_a_step_that_does_not_fit_is_refused_and_nothing_is_kept(
    store: Store, before: tuple[kinds.AnyStep, ...], refused: kinds.AnyStep
) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    version = store.append_steps(BARN, job.job_id, 0, before).job.version
    with pytest.raises(WrongStateError) as met:
        store.append_steps(BARN, job.job_id, version, [refused])
    assert met.value.place.startswith("steps[")
    assert store.job(BARN, job.job_id).version == version


def test_a_handed_over_job_is_closed_or_reopened(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    steps = [kinds.HandedOver(note="its controller"), kinds.Reopened(), kinds.HandedOver()]
    store.append_steps(BARN, job.job_id, 0, steps)
    job = store.append_steps(BARN, job.job_id, 3, [kinds.Closed(ended="handed_over")]).job
    assert (job.status, job.ended) == ("closed", "handed_over")


def test_who_has_not_read_the_latest_writes_nothing(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    store.append_steps(BARN, job.job_id, 0, [kinds.AreaOpened(area="cover")])
    for version in (0, 2):
        with pytest.raises(VersionConflictError) as met:
            store.append_steps(BARN, job.job_id, version, [kinds.AreaClosed(area="cover")])
        assert (met.value.expected, met.value.met) == (version, 1)
    assert store.job(BARN, job.job_id).version == 1


def test_two_tablets_lose_nothing(store: Store, url: str) -> None:
    """Each reads again when the other was first; all that was told is there, once, in order."""
    job, each = store.open_job(BARN, OPENING, PUMP), 25
    refused = [0, 0]

    def tell(writer: int) -> None:
        mine = Store.open(url)
        for number in range(each):
            step = kinds.SetAside(test="listen", note=f"{writer} {number}")
            while True:
                version = mine.job(BARN, job.job_id).version
                try:
                    mine.append_steps(BARN, job.job_id, version, [step])
                except VersionConflictError:
                    refused[writer] += 1
                    continue
                break
        mine.close()

    threads = [threading.Thread(target=tell, args=(writer,)) for writer in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    told = [each.step.note for each in store.log(BARN, job.job_id).steps]  # type: ignore[union-attr]
    assert sorted(told) == sorted(f"{w} {n}" for w in range(2) for n in range(each))
    for writer in range(2):
        own = [note for note in told if note.startswith(f"{writer} ")]
        assert own == [f"{writer} {number}" for number in range(each)]
    assert sum(refused) > 0, "they never met, so nothing was shown"
    assert store.check() == ()


def test_another_shop_sees_nothing(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    store.append_steps(BARN, job.job_id, 0, [kinds.Closed(ended="given_up")])
    for reads in (store.job, store.log, store.steps, store.machine_file, store.priors_of_job):
        assert reads(BARN, job.job_id) is not NotImplemented
        with pytest.raises(NotKeptError):
            reads(YARD, job.job_id)
    with pytest.raises(NotKeptError):
        store.append_steps(YARD, job.job_id, 1, [kinds.Reopened()])
    assert store.jobs(YARD).jobs == ()
    assert list(store.orders(YARD)) == []
    assert list(store.order_steps(YARD)) == []
    assert len(list(store.orders(BARN))) == len(list(store.order_steps(BARN))) == 1


def test_a_job_nobody_opened_is_not_there(store: Store) -> None:
    with pytest.raises(NotKeptError, match="no job 'zzz'"):
        store.job(BARN, "zzz")


def test_pages_hold_every_job_once_the_latest_first(store: Store, clock: Clock) -> None:
    made = []
    for number in range(7):
        clock.go_on(seconds=1.0 if number % 2 else 0.0)  # some are opened in the same moment
        made.append(store.open_job(BARN, OPENING, PUMP))
    store.open_job(YARD, OPENING, PUMP)
    seen, cursor = [], None
    for _ in range(9):
        page = store.jobs(BARN, limit=2, cursor=cursor)
        seen += page.jobs
        cursor = page.cursor
        if cursor is None:
            break
    wanted = sorted(made, key=lambda job: (job.opened_at, job.job_id), reverse=True)
    assert seen == wanted


def test_jobs_are_found_by_what_is_asked(store: Store, clock: Clock) -> None:
    first = store.open_job(BARN, OPENING, PUMP)
    clock.go_on(days=1)
    mower = MachineFile("mower", "1", "machine: {id: mower}\n", "{}")
    second = store.open_job(BARN, replace(OPENING, shop_reference=None), mower)

    def found(**wanted: object) -> list[str]:
        return [job.job_id for job in store.jobs(BARN, Filter(**wanted)).jobs]  # type: ignore[arg-type]

    assert found() == [second.job_id, first.job_id]
    assert found(shop_reference="W-17") == [first.job_id]
    assert found(machine="mower") == [second.job_id]
    assert found(since=clock.at) == [second.job_id]
    clock.go_on(days=1)
    store.append_steps(BARN, first.job_id, 0, [kinds.HandedOver()])
    assert found(since=clock.at) == [first.job_id]
    assert found(status="handed_over") == [first.job_id]
    assert found(status="open", machine="barn_pump") == []
    with pytest.raises(RequestError, match=r"status: .*handed_over"):
        store.jobs(BARN, Filter(status="lost"))


@pytest.mark.parametrize("cursor", ["", "x", "####", "AAAA", "AAB4", "é", "YSBiIGM", "a" * 5000])
def test_a_cursor_of_somebody_else_is_refused(store: Store, cursor: str) -> None:
    with pytest.raises(RequestError, match="cursor"):
        store.jobs(BARN, cursor=cursor)


def test_a_job_is_moved_only_to_a_file_that_is_kept(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    newer = MachineFile("barn_pump", "1.3", "machine: {id: barn_pump, new: yes}\n", "{}")
    moved = kinds.Moved(
        machine_hash=newer.hash, machine_version="1.3", archive_hash=newer.archive_hash
    )
    with pytest.raises(NotKeptError):
        store.append_steps(BARN, job.job_id, 0, [moved])
    store.keep_machine_file(newer)
    wrong = replace(moved, machine_version="1.4")
    with pytest.raises(RequestError, match=r"steps\[1\]\.machine_version: .*'1\.3'"):
        store.append_steps(BARN, job.job_id, 0, [kinds.Tools(), wrong])
    job = store.append_steps(BARN, job.job_id, 0, [moved]).job
    assert (job.machine_version, job.machine_hash) == ("1.3", newer.hash)
    assert store.machine_file(BARN, job.job_id) == newer
    store.append_steps(BARN, job.job_id, 1, [kinds.Undone()])
    assert store.machine_file(BARN, job.job_id) == PUMP


def test_a_job_keeps_the_priors_it_was_opened_with(store: Store) -> None:
    first = store.adopt_priors(BARN, "barn_pump", "rates: 1\n", "Ruth")
    job = store.open_job(BARN, OPENING, PUMP, priors_hash=first.hash)
    store.adopt_priors(BARN, "barn_pump", "rates: 2\n", "Ruth")
    assert store.priors_of_job(BARN, job.job_id) == "rates: 1\n"
    with pytest.raises(NotKeptError):
        store.open_job(BARN, OPENING, PUMP, priors_hash="0" * 64)


def test_a_job_does_not_grow_without_end(store: Store) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    steps = [kinds.Tools()] * MOST_STEPS
    with pytest.raises(FullError, match="steps of a job"):
        store.append_steps(BARN, job.job_id, 0, [*steps, kinds.Tools()])
    assert store.append_steps(BARN, job.job_id, 0, steps[:5]).job.version == 5
    with pytest.raises(FullError):
        store.append_steps(BARN, job.job_id, 5, steps[4:])


@pytest.mark.parametrize(
    ("step", "place"),
    [
        (kinds.SetAside(test="x", note="n" * 2_001), r"steps\[1\]\.note"),
        (kinds.SetAside(test="x" * 201), r"steps\[1\]\.test"),
        (kinds.SetAside(test="a\0b"), r"steps\[1\]\.test"),
        (kinds.Found(test="x", reading=float("nan")), r"steps\[1\]\.reading"),
        (kinds.Found(test="x"), r"steps\[1\]\.outcome"),
        (kinds.Told(complaint="x", at=datetime(2026, 1, 1)), r"steps\[1\]\.at"),
        (kinds.Told(complaint="x", minutes=-1.0), r"steps\[1\]\.minutes"),
        (kinds.Closed(ended="somehow"), r"steps\[1\]\.ended"),
    ],
)
def test_what_cannot_be_kept_is_refused_whole(
    store: Store, step: kinds.AnyStep, place: str
) -> None:
    job = store.open_job(BARN, OPENING, PUMP)
    with pytest.raises(RequestError, match=place):
        store.append_steps(BARN, job.job_id, 0, [kinds.Tools(), step])
    assert store.log(BARN, job.job_id).steps == ()


TRACTOR = replace(PUMP, machine="barn_tractor")


def test_a_comeback_is_one_of_an_order_that_is_there(store: Store) -> None:
    """Of the same shop and the same machine, at the opening and at the end."""
    first = store.open_job(BARN, OPENING, PUMP)
    foreign = store.open_job("mill", OPENING, PUMP)
    tractor = store.open_job(BARN, replace(OPENING, machine="barn_tractor"), TRACTOR)
    job = store.open_job(BARN, replace(OPENING, comeback_of=first.job_id), PUMP)
    near = first.job_id[:-1] + ("2" if first.job_id[-1] != "2" else "3")

    def opens(earlier: str) -> None:
        store.open_job(BARN, replace(OPENING, comeback_of=earlier), PUMP)

    def closes(earlier: str) -> None:
        steps = [kinds.Tools(), kinds.Closed(ended="given_up", comeback_of=earlier)]
        store.append_steps(BARN, job.job_id, 0, steps)

    for ask, place in ((opens, "comeback_of"), (closes, "steps[1].comeback_of")):
        for unknown in (near, foreign.job_id, "%" * 10):
            with pytest.raises(UnknownNameError) as met:
                ask(unknown)
            assert (met.value.kind, met.value.met, met.value.place) == ("order", unknown, place)
            assert set(met.value.valid) == {first.job_id, job.job_id}
            assert foreign.job_id not in str(met.value).replace(unknown, "")
        with pytest.raises(UnknownNameError, match=f"nearest is '{first.job_id}'"):
            ask(near)
        with pytest.raises(RequestError, match="of machine 'barn_tractor', not of 'barn_pump'"):
            ask(tractor.job_id)
    with pytest.raises(RequestError, match="no comeback of itself"):
        closes(job.job_id)
    assert store.log(BARN, job.job_id).steps == ()
    assert len(store.jobs(BARN).jobs) == 3
    closes(first.job_id)
    assert store.job(BARN, job.job_id).comeback_of == first.job_id


def test_an_order_that_ended_only_after_its_comeback_began_has_no_days(
    store: Store, clock: Clock
) -> None:
    """Days from one to the other are never less than none."""
    first = store.open_job(BARN, OPENING, PUMP)
    clock.go_on(days=1)
    back = store.open_job(BARN, replace(OPENING, comeback_of=first.job_id), PUMP)
    days = []
    for later in (back, first):
        clock.go_on(days=1)
        store.append_steps(BARN, later.job_id, 0, [kinds.Closed(ended="given_up")])
        rows = {row["order_id"]: row["days_to_comeback"] for row in store.orders(BARN)}
        days.append(rows[back.job_id])
    assert days == [None, None]


def test_a_closed_job_comes_home_as_an_order(store: Store, clock: Clock) -> None:
    first = store.open_job(BARN, OPENING, PUMP)
    clock.go_on(hours=1)
    store.append_steps(BARN, first.job_id, 0, [kinds.Closed(ended="no_fault_found")])
    clock.go_on(days=6)
    back = store.open_job(BARN, replace(OPENING, comeback_of=first.job_id), PUMP)
    store.open_job(BARN, OPENING, PUMP)  # open, so no order yet
    clock.go_on(hours=1)
    steps = [
        kinds.Tools(tools=("multimeter", "test_lamp")),
        kinds.Repaired(part="relay", repair="replace", fitted_new=True, shown="runs"),
        kinds.Closed(ended="runs", cause_part="relay", cause_mode="open", cause_seen=False),
    ]
    store.append_steps(BARN, back.job_id, 0, steps)
    orders = {row["order_id"]: row for row in store.orders(BARN)}
    assert set(orders) == {first.job_id, back.job_id}
    order = orders[back.job_id]
    assert (order["comeback_of"], order["days_to_comeback"]) == (first.job_id, 6.0)
    assert (order["cause_seen"], order["ended"], order["shop_reference"]) == ("no", "runs", "W-17")
    assert orders[first.job_id]["days_to_comeback"] is None
    rows = [row for row in store.order_steps(BARN) if row["order_id"] == back.job_id]
    assert [row["seq"] for row in rows] == [1, 2, 3]
    assert [row["result"] for row in rows] == ["multimeter test_lamp", "runs", None]
    assert rows[1]["fitted_new"] == "yes"
    assert [row["order_id"] for row in store.orders(BARN, clock.at)] == [back.job_id]
    later = clock.at + timedelta(seconds=1)
    assert list(store.orders(BARN, later)) == list(store.order_steps(BARN, later)) == []


def test_what_is_told_while_orders_are_read_is_for_the_next_time(store: Store, url: str) -> None:
    """A job that is reopened between its order and its steps has the steps of the order."""
    job = store.open_job(BARN, OPENING, PUMP)
    store.append_steps(BARN, job.job_id, 0, [kinds.Closed(ended="given_up")])
    other, told = Store.open(url), []

    def tell(_: Any, __: Any, statement: str, *___: Any) -> None:
        if "FROM steps" in statement and not told:
            told.append(other.append_steps(BARN, job.job_id, 1, [kinds.Reopened()]))

    event.listen(store._database.engine, "before_cursor_execute", tell)
    rows = list(store.order_steps(BARN))
    event.remove(store._database.engine, "before_cursor_execute", tell)
    assert [row["kind"] for row in rows] == ["closed"]
    assert store.job(BARN, job.job_id).version == 2
    other.close()


def test_an_order_that_is_told_late_is_not_missed(store: Store, clock: Clock) -> None:
    """Closed in the morning on a tablet without a connection, kept in the evening."""
    morning = clock.at
    job = store.open_job(BARN, OPENING, PUMP)
    clock.go_on(hours=9)
    store.append_steps(BARN, job.job_id, 0, [kinds.Closed(ended="given_up", at=morning)])
    (order,) = store.orders(BARN, morning + timedelta(hours=8))
    assert order["closed_at"] == "2026-11-26T08:30:00.000000+00:00"


@pytest.mark.parametrize(
    "file",
    [
        replace(PUMP, version=""),
        replace(PUMP, machine="m" * 201),
        replace(PUMP, version="a\0b"),
    ],
)
def test_a_file_that_makes_no_order_is_refused(store: Store, file: MachineFile) -> None:
    with pytest.raises(RequestError, match="machine"):
        store.open_job(BARN, OPENING, file)
    with pytest.raises(RequestError, match="shop"):
        store.open_job("", OPENING, PUMP)


def test_an_opening_that_cannot_be_kept_is_refused(store: Store) -> None:
    with pytest.raises(RequestError, match="temperature_celsius"):
        store.open_job(BARN, replace(OPENING, temperature_celsius=float("inf")), PUMP)
    assert store.jobs(BARN).jobs == ()


def test_a_file_that_is_no_store_says_so_in_a_line(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("bread, milk, a 30 A fuse\n" * 100, "utf-8")
    with pytest.raises(StoreError, match="not a database"):
        Store.open(f"sqlite:///{file}")
    for url in (f"sqlite:///{tmp_path}", f"sqlite:///{file}/jobs.sqlite"):
        with pytest.raises(StoreError):
            Store.open(url)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("nonsense", "expected sqlite"),
        ("mysql://host/name", "kind 'mysql'"),
        ("sqlite://", "kept in a file"),
        ("sqlite:////proc/nowhere/jobs.sqlite", "cannot be made"),
        ("postgresql://nobody:hidden@/jobs?host=/tmp/nowhere-at-all", "cannot be used"),
    ],
)
def test_a_store_that_cannot_be_reached_says_so_in_a_line(url: str, said: str) -> None:
    with pytest.raises(StoreError) as met:
        Store.open(url)
    assert said in str(met.value)
    assert "\n" not in str(met.value)
    assert "hidden" not in str(met.value)


@pytest.mark.parametrize("few", [0, 2_000])
def test_what_was_changed_since_is_the_same_by_either_way(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch, few: int
) -> None:
    """Whether or not an index is used; other shops' jobs never count."""
    monkeypatch.setattr("diagnose.store.since.FEW", few)
    made, times = [], []
    for _ in range(3):
        clock.go_on(hours=1)
        times.append(clock.at)
        job = store.open_job(BARN, OPENING, PUMP)
        store.append_steps(BARN, job.job_id, 0, [kinds.Closed(ended="given_up")])
        store.open_job(YARD, OPENING, PUMP)
        made.append(job.job_id)
    for number, since in enumerate(times):
        orders = [row["order_id"] for row in store.orders(BARN, since)]
        assert orders == made[number:]
        listed = store.jobs(BARN, Filter(since=since), limit=1)
        assert [job.job_id for job in listed.jobs] == made[-1:]
        assert (listed.cursor is None) == (number == 2)
    assert list(store.orders(BARN, clock.at + timedelta(seconds=1))) == []


def test_lists_find_their_jobs_by_an_index(store: Store) -> None:
    """SQLite tells its plan (EXPLAIN QUERY PLAN); PostgreSQL chooses by how many rows there are."""
    if not store._database.is_sqlite:
        names = inspect(store._database.engine).get_indexes("jobs")
        assert len({tuple(index["column_names"]) for index in names}) == 6
        return
    said: list[tuple[str, Any]] = []

    def note(_: Any, __: Any, statement: str, parameters: Any, *___: Any) -> None:
        said.append((statement, parameters))

    event.listen(store._database.engine, "before_cursor_execute", note)
    plans = {
        "machine": lambda: store.jobs(BARN, Filter(machine="barn_pump")),
        "status": lambda: store.jobs(BARN, Filter(status="open")),
        "changed_at": lambda: list(store.orders(BARN, datetime(2026, 1, 1, tzinfo=UTC))),
        "closed_at": lambda: list(store.orders(BARN)),
        "opened_at": lambda: store.jobs(BARN),
    }
    for column, ask in plans.items():
        said.clear()
        ask()
        with store._database.reading() as connection:
            statement, parameters = [each for each in said if each[0].startswith("SELECT")][-1]
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            plan = " ".join(str(row) for row in rows)
        assert f"ix_jobs_shop_{column}" in plan, plan
