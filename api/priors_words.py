"""Between kept priors and what the service tells of them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from diagnose.errors import PriorsFileError, PriorsMismatchError
from diagnose.machine.overlay import AREA, TEST

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.machine.model import Machine, Part, Repair
    from diagnose.machine.overlay import Overlay
    from diagnose.store.records import Adoption

    from .keeping import Keeping

ENOUGH = 0.5
"""From so much of its variance explained on a rate counts as known."""

MOST_ADOPTIONS = 100
EMPTY: dict[str, Any] = {
    **dict.fromkeys(("why_not", "priors_version", "orders", "window_from", "window_to")),
    "rates": [],
    "not_identified": [],
    "figures": [],
    "judged": None,
}


def adoption_told(made: Adoption, *, holds: bool) -> dict[str, Any]:
    """Priors that were taken, as plain data."""
    told = asdict(made)
    del told["shop"], told["machine"]
    for name in ("adopted_at", "rolled_back_at"):
        told[name] = told[name] and told[name].isoformat()
    return told | {"holds": holds}


def adoptions_told(all_made: Sequence[Adoption], holds: int) -> list[dict[str, Any]]:
    """The latest of them, the latest first; `holds` is the number of the one that does."""
    latest = all_made[: -MOST_ADOPTIONS - 1 : -1]
    return [adoption_told(made, holds=made.adoption == holds) for made in latest]


def kept_told(keeping: Keeping, machine: Machine, text: str) -> dict[str, Any]:
    """Priors that are kept, beside the file as it is now; where they do not fit, why not."""
    try:
        return overlay_told(machine, keeping.overlay(machine, text))
    except (PriorsFileError, PriorsMismatchError) as error:
        return EMPTY | {"machine": machine.id, "fits": False, "why_not": str(error)}


def overlay_told(machine: Machine, overlay: Overlay) -> dict[str, Any]:
    """Priors beside what the machine's file says, as plain data."""
    from diagnose.refit.frames import groups_frame, rates_frame  # noqa: PLC0415  tables on use

    rates = [dict(row) for row in rates_frame(machine, overlay).to_dict("records")]
    for rate in rates:
        rate["known"] = rate["learnt"] >= ENOUGH
        rate["group"] = rate["group"] or None
        del rate["ratio"]
    groups = [dict(row) for row in groups_frame(machine, overlay).to_dict("records")]
    for group in groups:
        group["members"] = group["members"].split(" — or — ")
        del group["group"]
    return EMPTY | {
        "machine": machine.id,
        "fits": True,
        "priors_version": overlay.version,
        "orders": overlay.orders,
        "window_from": overlay.window_from or None,
        "window_to": overlay.window_to or None,
        "rates": rates,
        "not_identified": groups,
        "figures": [
            dict(zip(("kind", "title", "unit", "shipped", "refitted"), row, strict=True))
            for row in _figures(machine, overlay)
        ],
        "judged": None if overlay.judged is None else asdict(overlay.judged),
    }


def _figures(
    machine: Machine, overlay: Overlay
) -> Iterator[tuple[str, str, str, float | None, float]]:
    for name, value in overlay.words_fit_percent.items():
        complaint = machine.complaints[name]
        yield "words", complaint.title, "%", complaint.words_fit_percent, value
    for kind, value in overlay.slip_percent.items():
        shipped = {test.slip_percent for test in machine.tests.values() if test.kind == kind}
        yield "slip", kind, "%", shipped.pop() if len(shipped) == 1 else None, value
    for (noun, name), value in overlay.minutes.items():
        title, before = _minutes(machine, noun, name)
        yield noun, title, "min", before, value
    for (name, part, mode), factor in overlay.factors.items():
        cause, known = machine.shared_causes[name], machine.parts[part]
        title = f"{cause.title}: {known.title}: {known.modes[mode].title}"
        raised = [r.factor for r in cause.raises if r.part == part and mode in r.modes]
        yield "raises", title, "times", raised[0], factor
    bad = overlay.new_part_bad_per_1000
    if bad is not None:
        yield "new_part", "", "per 1 000", machine.shop.new_part_bad_per_1000, bad


def _minutes(machine: Machine, noun: str, name: str) -> tuple[str, float]:
    """What minutes are of, and the file's own."""
    if noun == TEST:
        return machine.tests[name].title, machine.tests[name].minutes
    if noun == AREA:
        area = machine.areas[name]
        return area.title, area.open_minutes + area.close_minutes
    part, repair = _repair(machine, name)
    return f"{part.title}: {repair.title}", repair.minutes


def _repair(machine: Machine, name: str) -> tuple[Part, Repair]:
    known, _, repair = name.partition(".")
    part = machine.parts[known]
    return part, next(own for own in part.repairs if own.id == repair)
