"""Jobs: opened, gone on with, read and listed. The log comes first, the projection follows."""

from __future__ import annotations

import base64
import binascii
import secrets
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import or_, tuple_, update

from diagnose.errors import (
    FullError,
    RequestError,
    ValueOutOfRangeError,
    VersionConflictError,
)
from diagnose.steps.kinds import Closed, Moved
from diagnose.steps.plain import checked_opening, checked_step, opening_to_dict
from diagnose.steps.status import STATUSES, KeptStep, Noted, check_order
from diagnose.store import tables
from diagnose.store.comebacks import check_comeback
from diagnose.store.moments import moment_text
from diagnose.store.projection import (
    BASIS,
    job_of_row,
    job_row,
    opening_hash,
    opening_of_row,
    step_of_row,
    step_to_row,
)
from diagnose.store.records import Appended, Basis, JobLog, KeptJob, Listed, plain_json
from diagnose.store.rows import of_shop, one_of_shop
from diagnose.store.since import changed_since
from diagnose.store.texts import check_name, file_of, keep_file, overlay_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from sqlalchemy import ColumnElement, Connection, RowMapping

    from diagnose.steps.kinds import AnyStep
    from diagnose.steps.opening import Opening
    from diagnose.store.records import MachineFile

MOST_STEPS = 1_000
"""Steps of one job."""

MOST_LISTED = 200
"""Jobs on a page."""

ID_LENGTH = 10
LETTERS = "23456789abcdefghjkmnpqrstvwxyz"
"""Of a job's id: none that is taken for another when it is read out."""


@dataclass(frozen=True, slots=True)
class Word:
    """A word that is looked for.

    Attributes:
        text: in the shop's number, the note or the ids of a job, large letters as small ones.
        machines, complaints, parts: ids of those whose titles have it.
    """

    text: str
    machines: frozenset[str] = frozenset()
    complaints: frozenset[str] = frozenset()
    parts: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Filter:
    """Which jobs are listed; None for any.

    Attributes:
        status: one of `open`, `runs`, `handed_over`, `closed`.
        shop_reference: the shop's own number.
        machine: id of the machine.
        since: changed then or later.
        search: words that a job has, each of them.
    """

    status: str | None = None
    shop_reference: str | None = None
    machine: str | None = None
    since: datetime | None = None
    search: tuple[Word, ...] = ()


def new_id() -> str:
    """An id for a job: 10 letters and digits, one of 6e14."""
    return "".join(secrets.choice(LETTERS) for _ in range(ID_LENGTH))


def open_job(
    connection: Connection,
    shop: str,
    opening: Opening,
    file: MachineFile,
    priors_hash: str | None,
    now: datetime,
) -> KeptJob:
    """Keep a job that begins, with the machine file it begins with.

    Raises:
        RequestError: an opening that cannot be kept.
        UnknownNameError: it is a comeback of an order that the shop does not have.
        NotKeptError: those priors are not kept.
    """
    check_name("shop", shop)
    keep_file(connection, file)
    if priors_hash is not None:
        overlay_of(connection, priors_hash)
    told = checked_opening(replace(opening, machine=file.machine, at=opening.at or now))
    check_comeback(connection, shop, told.machine, told.comeback_of, "comeback_of")
    row: dict[str, Any] = {
        "job_id": new_id(),
        "shop": shop,
        "body": plain_json(opening_to_dict(told)),
        "machine_hash": file.hash,
        "archive_hash": file.archive_hash,
        "machine_version": file.version,
        "priors_hash": priors_hash,
        "kept_at": moment_text(now),
    }
    row["hash"] = opening_hash(row)
    connection.execute(tables.openings.insert().values(**row))
    projected = job_row(row, (), row["kept_at"])
    connection.execute(tables.jobs.insert().values(**projected))
    return job_of_row(projected)


def append_steps(
    connection: Connection,
    shop: str,
    job_id: str,
    expected_version: int,
    steps: Sequence[tuple[AnyStep, Noted]],
    now: datetime,
) -> Appended:
    """Go on with a job: all of the steps are kept, or none.

    Raises:
        NotKeptError: no such job of this shop, or it is moved to a file that is not kept.
        VersionConflictError: it has gone on since.
        WrongStateError: a step that it does not take now.
        RequestError: a step that cannot be kept.
        UnknownNameError: it closes as a comeback of an order that the shop does not have.
        FullError: it has too many steps.
    """
    row = one_of_shop(connection, shop, tables.jobs, job_id, held=True)
    if row["version"] != expected_version:
        raise VersionConflictError(job_id, expected_version, row["version"])
    if expected_version + len(steps) > MOST_STEPS:
        raise FullError("steps of a job", MOST_STEPS)
    if not steps:
        return Appended(job_of_row(row), ())
    opened = one_of_shop(connection, shop, tables.openings, job_id)
    log = _step_rows(connection, shop, job_id)
    before = [step_of_row(each) for each in log]
    check_order(before, [step for step, _ in steps])
    added = _numbered(expected_version, steps, now)
    _check_moves(connection, added)
    for number, step in enumerate(each.step for each in added):
        if isinstance(step, Closed):
            place = f"steps[{number}].comeback_of"
            check_comeback(connection, shop, row["machine"], step.comeback_of, place, job_id)
    _keep(connection, job_id, added, log[-1]["hash"] if log else opened["hash"], now)
    projected = job_row(opened, [*before, *added], moment_text(now))
    jobs = tables.jobs
    connection.execute(update(jobs).where(jobs.c.job_id == job_id).values(**projected))
    return Appended(job_of_row(projected), added)


def _numbered(
    version: int, steps: Sequence[tuple[AnyStep, Noted]], now: datetime
) -> tuple[KeptStep, ...]:
    """The steps as they are kept: checked, numbered, each with a time."""
    kept = []
    for number, (step, noted) in enumerate(steps):
        checked = checked_step(replace(step, at=step.at or now), f"steps[{number}]")
        kept.append(KeptStep(seq=version + number + 1, step=checked, noted=noted))
    return tuple(kept)


def _keep(
    connection: Connection, job_id: str, added: Sequence[KeptStep], before: str, now: datetime
) -> None:
    rows = []
    for kept in added:
        rows.append(step_to_row(job_id, kept, moment_text(now), before))
        before = rows[-1]["hash"]
    connection.execute(tables.steps.insert(), rows)


def _check_moves(connection: Connection, added: Sequence[KeptStep]) -> None:
    for kept in added:
        step = kept.step
        if isinstance(step, Moved):
            file = file_of(connection, step.machine_hash, step.archive_hash)
            if file.version != step.machine_version:
                met = f"the file has version {file.version!r}, not {step.machine_version!r}"
                raise RequestError(met, f"steps[{kept.seq - added[0].seq}].machine_version")
            if step.priors_hash is not None:
                overlay_of(connection, step.priors_hash)


def job(connection: Connection, shop: str, job_id: str) -> KeptJob:
    """A job as it stands.

    Raises:
        NotKeptError: there is none, or it is another shop's.
    """
    return job_of_row(one_of_shop(connection, shop, tables.jobs, job_id))


def log(connection: Connection, shop: str, job_id: str, at: int | None = None) -> JobLog:
    """A job with its opening and all its steps.

    Args:
        connection: in a transaction.
        shop: id of the shop.
        job_id: id of the job.
        at: the version at which it is wanted, with the steps up to then; None for now.

    Raises:
        NotKeptError: there is none, or it is another shop's.
        ValueOutOfRangeError: it has no such version.
    """
    stands = job(connection, shop, job_id)
    opened = one_of_shop(connection, shop, tables.openings, job_id)
    rows = _step_rows(connection, shop, job_id)
    kept = tuple(step_of_row(row) for row in rows)
    if at is not None:
        if not 0 <= at <= len(kept):
            raise ValueOutOfRangeError("at", at, 0, len(kept), "")
        kept = kept[:at]
        changed_at = rows[at - 1]["kept_at"] if at else opened["kept_at"]
        stands = job_of_row(job_row(opened, kept, changed_at))
    basis = Basis(**{name: opened[name] for name in BASIS})
    return JobLog(stands, opening_of_row(opened), kept, basis)


def steps(connection: Connection, shop: str, job_id: str, after: int = 0) -> tuple[KeptStep, ...]:
    """The steps of a job that come after a version, in order; all of them after 0."""
    return tuple(step_of_row(row) for row in _step_rows(connection, shop, job_id, after))


def _step_rows(
    connection: Connection, shop: str, job_id: str, after: int = 0
) -> Sequence[RowMapping]:
    columns = tables.steps.c
    query = of_shop(shop, tables.steps).where(columns.job_id == job_id, columns.seq > after)
    return connection.execute(query.order_by(columns.seq)).mappings().all()


def jobs(
    connection: Connection,
    shop: str,
    wanted: Filter,
    limit: int,
    cursor: str | None = None,
) -> Listed:
    """A page of a shop's jobs, the latest opened first.

    Raises:
        RequestError: a cursor that this store did not give, a status that no job has.
    """
    columns = tables.jobs.c
    query = of_shop(shop, tables.jobs)
    if wanted.status is not None:
        if wanted.status not in STATUSES:
            raise RequestError(f"expected one of {', '.join(STATUSES)}", "status")
        query = query.where(columns.status == wanted.status)
    if wanted.shop_reference is not None:
        query = query.where(columns.shop_reference == wanted.shop_reference)
    if wanted.machine is not None:
        query = query.where(columns.machine == wanted.machine)
    if wanted.since is not None:
        query = query.where(changed_since(connection, shop, wanted.since))
    query = query.where(*(_has(word) for word in wanted.search))
    place = tuple_(columns.opened_at, columns.job_id)
    if cursor is not None:
        query = query.where(place < _read_cursor(cursor))
    most = max(1, min(limit, MOST_LISTED))
    ordered = query.order_by(columns.opened_at.desc(), columns.job_id.desc()).limit(most + 1)
    rows = connection.execute(ordered).mappings().all()
    more = _cursor(rows[most - 1]) if len(rows) > most else None
    return Listed(tuple(job_of_row(row) for row in rows[:most]), more)


def _has(word: Word) -> ColumnElement[bool]:
    """Whether a job has a word."""
    columns = tables.jobs.c
    texts = (
        *(columns.shop_reference, columns.note, columns.job_id, columns.machine),
        *(columns.complaint_told, columns.complaint_seen, columns.cause_part),
    )
    complaints = sorted(word.complaints)
    return or_(
        *(text.icontains(word.text, autoescape=True) for text in texts),
        columns.machine.in_(sorted(word.machines)),
        columns.complaint_told.in_(complaints),
        columns.complaint_seen.in_(complaints),
        columns.cause_part.in_(sorted(word.parts)),
    )


def _cursor(row: RowMapping) -> str:
    """Where a page ends, as a text for addresses."""
    place = f"{row['opened_at']} {row['job_id']}"
    return base64.urlsafe_b64encode(place.encode()).decode().rstrip("=")


def _read_cursor(cursor: str) -> tuple[str, str]:
    try:
        padded = cursor[: tables.NAME].encode() + b"=" * (-len(cursor) % 4)
        opened_at, job_id = base64.b64decode(padded, b"-_", validate=True).decode().split(" ")
    except (ValueError, binascii.Error, UnicodeError):
        raise RequestError("this is no cursor of this store", "cursor") from None
    if "\0" in opened_at + job_id:
        raise RequestError("this is no cursor of this store", "cursor")
    return opened_at, job_id
