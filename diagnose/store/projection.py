"""From the log of a job to its row in `jobs`: a pure function."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from diagnose.steps.kinds import OTHER, RUNS, SAME, Closed, Moved, Told
from diagnose.steps.plain import opening_from_dict, step_from_dict, step_to_dict
from diagnose.steps.status import KeptStep, Noted, minutes_of, shown_by, standing_kept, status_of
from diagnose.store.moments import moment_of, moment_text
from diagnose.store.records import KeptJob, plain_json, text_hash

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.steps.opening import Opening

Row = dict[str, Any]

_TIMES = ("opened_at", "changed_at", "closed_at")
BASIS = ("machine_hash", "machine_version", "archive_hash", "priors_hash")
_CLOSING = ("ended", "cause_part", "cause_mode", "cause_seen")


def opening_hash(row: Mapping[Any, Any]) -> str:
    """Hash of an opening, the beginning of its job's chain."""
    names = ("job_id", "shop", "body", "machine_hash", "archive_hash", "machine_version")
    return text_hash(plain_json([row[name] for name in (*names, "priors_hash", "kept_at")]))


def step_hash(before: str, row: Mapping[Any, Any]) -> str:
    """Hash of a step over the one before it: none can be changed, lost or added in between."""
    names = ("job_id", "seq", "kind", "body", "advised", "shown", "tool_version", "kept_at")
    return text_hash(plain_json([before, *(row[name] for name in names)]))


def step_to_row(job_id: str, kept: KeptStep, kept_at: str, before: str) -> Row:
    """The row of a step in the table `steps` of the store."""
    row: Row = {
        "job_id": job_id,
        "seq": kept.seq,
        "kind": kept.step.kind,
        "body": plain_json(step_to_dict(kept.step)),
        "advised": kept.noted.advised,
        "shown": kept.noted.shown,
        "tool_version": kept.noted.tool_version,
        "kept_at": kept_at,
    }
    return row | {"hash": step_hash(before, row)}


def step_of_row(row: Mapping[Any, Any]) -> KeptStep:
    """The step of such a row."""
    noted = Noted(advised=row["advised"], tool_version=row["tool_version"], shown=row["shown"])
    return KeptStep(seq=row["seq"], step=step_from_dict(json.loads(row["body"])), noted=noted)


def opening_of_row(row: Mapping[Any, Any]) -> Opening:
    """The opening of a row of `openings`."""
    return opening_from_dict(json.loads(row["body"]))


def job_row(opened: Mapping[Any, Any], kept: Sequence[KeptStep], changed_at: str) -> Row:
    """The row of a job.

    Args:
        opened: its row of `openings`.
        kept: all its steps.
        changed_at: when the last of them was kept.
    """
    opening, left = opening_of_row(opened), standing_kept(kept)
    row: Row = {
        "job_id": opened["job_id"],
        "shop": opened["shop"],
        "shop_reference": opening.shop_reference,
        "version": len(kept),
        "status": status_of(kept),
        "machine": opening.machine,
        "temperature_celsius": opening.temperature_celsius,
        "complaint_told": opening.complaint,
        "complaint_seen": _first_seen(left),
        "opened_at": moment_text(opening.at) if opening.at else opened["kept_at"],
        "opened_by": opening.by,
        "changed_at": changed_at,
        "comeback_of": opening.comeback_of,
    }
    row |= dict.fromkeys((*_CLOSING, "note", "labour_minutes", "closed_at"))
    row |= {name: opened[name] for name in BASIS}
    for each in left:
        if isinstance(each.step, Told):
            row["complaint_told"] = each.step.complaint
        elif isinstance(each.step, Moved):
            row |= {name: getattr(each.step, name) for name in BASIS}
    return row | (_closing(left) if row["status"] == "closed" else {})


def _first_seen(left: Sequence[KeptStep]) -> str | None:
    """The complaint that the machine was first seen to show on trying."""
    known = (shown_by(each) for each in left)
    return next((what for what in known if what not in {None, RUNS, SAME, OTHER}), None)


def _closing(left: Sequence[KeptStep]) -> Row:
    """What the last closing says, of a job that is closed."""
    step = next(each.step for each in reversed(left) if isinstance(each.step, Closed))
    labour = step.labour_minutes
    told: Row = {name: getattr(step, name) for name in _CLOSING}
    told["note"] = step.note or None
    told["labour_minutes"] = minutes_of(each.step for each in left) if labour is None else labour
    told["closed_at"] = None if step.at is None else moment_text(step.at)
    return told if step.comeback_of is None else told | {"comeback_of": step.comeback_of}


def job_of_row(row: Mapping[Any, Any]) -> KeptJob:
    """The job of a row of `jobs`."""
    return KeptJob(**{**row, **{name: moment_of(row[name]) for name in _TIMES}})
