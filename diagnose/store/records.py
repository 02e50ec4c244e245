"""What the store gives: plain frozen records."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from diagnose.steps.opening import Opening
    from diagnose.steps.status import KeptStep

TECHNICIAN, SHOP_SYSTEM, ANALYST = "technician", "shop_system", "analyst"
ROLES = (TECHNICIAN, SHOP_SYSTEM, ANALYST)
"""What the holder of a key may do is for the service to say."""

LOCAL = "local"
"""Id of the shop at a bench of its own, where nobody needs a key."""


@dataclass(frozen=True, slots=True)
class MachineFile:
    """A machine file with all that it takes to read it again.

    Attributes:
        machine, version: id and version of the machine.
        text: the file.
        archive: the machine as it was read, see `diagnose.machine.archive`: what the dictionaries
            of defaults filled in stands in it, so that it stays the same when they change.
    """

    machine: str
    version: str
    text: str
    archive: str

    @property
    def hash(self) -> str:
        """Content hash of the file alone, as `Machine.content_hash`."""
        return text_hash(self.text)

    @property
    def archive_hash(self) -> str:
        """Content hash of the archive."""
        return text_hash(self.archive)


@dataclass(frozen=True, slots=True)
class Basis:
    """What a job goes on with: content hashes of machine file, archive and priors, and version."""

    machine_hash: str
    machine_version: str
    archive_hash: str
    priors_hash: str | None


@dataclass(frozen=True, slots=True)
class KeptJob:
    """A job as it stands: the projection of its opening and its steps.

    Attributes:
        version: how many steps it has; whoever appends names the version he has read.
        status: `open`, `runs`, `handed_over` or `closed`.
        machine, machine_version, machine_hash, archive_hash, priors_hash: what it goes on with.
        complaint_told: what the customer told last; complaint_seen what was first seen on trying.
        opened_at, changed_at, closed_at: None for one that is not closed.
        ended, cause_part, cause_mode, cause_seen, note, labour_minutes, comeback_of: as closed;
            `comeback_of` as opened until then.
    """

    job_id: str
    shop: str
    shop_reference: str | None
    version: int
    status: str
    machine: str
    machine_version: str
    machine_hash: str
    archive_hash: str
    priors_hash: str | None
    temperature_celsius: float
    complaint_told: str
    complaint_seen: str | None
    opened_at: datetime
    opened_by: str
    changed_at: datetime
    closed_at: datetime | None
    ended: str | None
    cause_part: str | None
    cause_mode: str | None
    cause_seen: bool | None
    note: str | None
    labour_minutes: float | None
    comeback_of: str | None


@dataclass(frozen=True, slots=True)
class JobLog:
    """A job, how it was opened, and all its steps in order.

    Attributes:
        opened_with: the machine file and priors that it was opened with.
    """

    job: KeptJob
    opening: Opening
    steps: tuple[KeptStep, ...]
    opened_with: Basis


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of an append.

    Attributes:
        job: as it stands after it.
        steps: the steps as they are kept.
        again: whether they had been kept already, under the same idempotency key.
    """

    job: KeptJob
    steps: tuple[KeptStep, ...]
    again: bool = False


@dataclass(frozen=True, slots=True)
class Listed:
    """A page of jobs, and the cursor of the next one; None where this is the last."""

    jobs: tuple[KeptJob, ...]
    cursor: str | None


@dataclass(frozen=True, slots=True)
class RequestKey:
    """The idempotency key of a request, and a hash of what it asks.

    Attributes:
        key: as the client sent it, at most 200 characters.
        fingerprint: sha256 in hex over method, path and body.
    """

    key: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Answered:
    """A request that was answered before.

    Attributes:
        answer: the answer as the caller gave it to `finish_request`; None where it never got so
            far, or was too long to keep.
        done: what was written: `{"job_id": ..., "version": ..., "steps": ...}`, enough to make
            the answer again.
    """

    answer: str | None
    done: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Key:
    """A key without its secret.

    Attributes:
        prefix: first characters, by which people tell keys apart.
        role: one of `ROLES`.
        last_used_at: to the minute; None where it never was.
        revoked_at: None for one that holds.
    """

    prefix: str
    name: str
    shop: str
    role: str
    created_at: datetime
    last_used_at: datetime | None
    revoked_at: datetime | None


@dataclass(frozen=True, slots=True)
class Adoption:
    """Priors that a shop took for a machine.

    Attributes:
        adoption: its number.
        hash: content hash of the overlay's text.
        rolled_back_at, rolled_back_by: None while it holds.
    """

    adoption: int
    shop: str
    machine: str
    hash: str
    adopted_at: datetime
    adopted_by: str
    rolled_back_at: datetime | None
    rolled_back_by: str | None


def text_hash(text: str) -> str:
    """Content hash of a text: sha256 of its UTF-8 bytes, hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def plain_json(content: object) -> str:
    """One line of JSON, the same for the same content."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, sort_keys=True)
