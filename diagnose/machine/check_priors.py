"""What the priors of a machine file must add up to, the shared causes included.

The arithmetic is that of `diagnose.faults.priors`, which stands above: with a cause there, the
chances of the modes it raises are multiplied by its factors, and the chances without it are lowered
so that the prior over all jobs stays what the file says.
"""

from __future__ import annotations

from itertools import product
from math import prod
from typing import TYPE_CHECKING

from diagnose.machine.graphs import circles

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.schema import CauseEntry
    from diagnose.machine.subject import Subject

SHARE_OF_MACHINES = 0.25
"""As in `diagnose.faults.words`, which stands above; a test holds them together."""

MOST_MIXED = 8
"""Causes that make some modes of a part likelier and others rarer, all combinations of which are
tried; for more of them the bound counts."""

SURE = 1.0 + 1e-9
"""Certainty, with what rounding may add."""


def check_priors(subject: Subject) -> Iterator[Problem]:
    """Priors of nothing, of more than certainty, and of causes in a circle."""
    yield from _in_all(subject)
    causes = {
        name: cause
        for name, cause in subject.file.shared_causes.items()
        if (cause.part is None) != (cause.per_1000_jobs is None)
        and (cause.part is None or cause.part in subject.file.parts)
    }
    yield from _circles(subject, causes)
    yield from _certain(subject, causes)


def _in_all(subject: Subject) -> Iterator[Problem]:
    """Something must be able to fail, and not everything at once outside the file."""
    file = subject.file
    unlisted = [
        entry.unlisted_per_1000
        if entry.unlisted_per_1000 is not None
        else file.machine.unlisted_per_1000_jobs
        for entry in file.complaints.values()
    ]
    if SHARE_OF_MACHINES * sum(unlisted) >= 1000.0:
        most = 1000.0 / SHARE_OF_MACHINES
        message = (
            f"what is not listed adds up to {sum(unlisted):g} per 1000 jobs over "
            f"{len(unlisted)} complaints; expected below {most:g}"
        )
        path = ("machine", "unlisted_per_1000_jobs")
        yield subject.problem(path, message, "prior_sum")
    listed = sum(m.per_1000_jobs for p in file.parts.values() for m in p.modes.values())
    if file.parts and not subject.set_aside("parts") and listed == 0.0:
        message = "the priors of all failure modes add up to nothing; expected one above 0"
        yield subject.problem(("parts",), message, "prior_nothing", key=True)


def _circles(subject: Subject, causes: Mapping[str, CauseEntry]) -> Iterator[Problem]:
    """Parts whose failures raise each other have no joint prior."""
    above: dict[str, list[str]] = {}
    for cause in causes.values():
        if cause.part is not None:
            for raised in cause.raises:
                for part in subject.reached(raised):
                    if set(raised.modes) & set(subject.modes_of(part)):
                        above.setdefault(cause.part, []).append(part)
    for loop in circles(above):
        shown = " -> ".join([*loop, loop[0]])
        first = next(name for name in causes if causes[name].part in loop)
        message = f"parts raise each other in a circle: {shown}; take one of them out"
        yield subject.problem(("shared_causes", first, "part"), message, "cause_cycle")


def _certain(subject: Subject, causes: Mapping[str, CauseEntry]) -> Iterator[Problem]:
    """Causes that would make a part fail more often than always; at the largest factor of them."""
    factors: dict[str, dict[str, dict[str, float]]] = {}
    places: dict[tuple[str, str], tuple[float, Path]] = {}
    for name, cause in causes.items():
        for number, item in enumerate(cause.raises):
            for part in subject.reached(item):
                for mode in set(item.modes) & set(subject.modes_of(part)):
                    factors.setdefault(part, {}).setdefault(name, {})[mode] = item.factor
                    path: Path = ("shared_causes", name, "raises", number, "factor")
                    places[part, name] = max(
                        places.get((part, name), (0.0, path)), (item.factor, path)
                    )
    worst: dict[Path, list[tuple[float, str, tuple[str, ...]]]] = {}
    for part, raising in factors.items():
        if part in subject.file.parts:
            most, there = _most(subject, part, {name: causes[name] for name in raising}, raising)
            if most > SURE:
                _, path = max(places[part, name] for name in there or raising)
                worst.setdefault(path, []).append((most, part, there))
    for path, parts in worst.items():
        most, part, there = max(parts)
        also = f" (and of {len(parts) - 1} more)" if len(parts) > 1 else ""
        given = f"with {', '.join(there)} there" if there else f"without {path[1]}"
        message = (
            f"{given}, the failure modes of {part!r}{also} add up to {most:.3g}; expected at "
            "most 1: a factor nearer to 1, or smaller priors"
        )
        yield subject.problem(path, message, "prior_certain")


def _most(
    subject: Subject,
    part: str,
    causes: Mapping[str, CauseEntry],
    raising: Mapping[str, Mapping[str, float]],
) -> tuple[float, tuple[str, ...]]:
    """The largest sum of a part's chances over all combinations of causes, and the causes there."""
    base = {
        mode: SHARE_OF_MACHINES * entry.per_1000_jobs / 1000.0
        for mode, entry in subject.file.parts[part].modes.items()
    }
    for name, factors in raising.items():
        chance = _chance(subject, causes[name])
        for mode, factor in factors.items():
            if mode in base:
                base[mode] /= 1.0 + chance * (factor - 1.0)
    bound = sum(
        chance * prod(max(by.get(mode, 1.0), 1.0) for by in raising.values())
        for mode, chance in base.items()
    )
    if bound <= SURE:
        return bound, ()
    always = [name for name, by in raising.items() if min(by.values()) >= 1.0]
    mixed = [name for name, by in raising.items() if min(by.values()) < 1.0 < max(by.values())]
    if len(mixed) > MOST_MIXED:
        return bound, (*always, *mixed)
    best, there = 0.0, tuple[str, ...]()
    for chosen in product((False, True), repeat=len(mixed)):
        now = (*always, *(name for name, taken in zip(mixed, chosen, strict=True) if taken))
        total = sum(
            chance * prod(raising[name].get(mode, 1.0) for name in now)
            for mode, chance in base.items()
        )
        if total > best:
            best, there = total, now
    return best, there


def _chance(subject: Subject, cause: CauseEntry) -> float:
    """Prior that a shared cause is there."""
    if cause.part is None:
        return (cause.per_1000_jobs or 0.0) / 1000.0
    modes = subject.file.parts[cause.part].modes
    listed = sum(modes[mode].per_1000_jobs for mode in cause.modes or () if mode in modes)
    return SHARE_OF_MACHINES * listed / 1000.0
