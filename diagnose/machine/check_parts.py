"""What each part, cause, area and function must obey by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.dictionary import part_kinds, part_values
from diagnose.machine.ends import MECHANICAL
from diagnose.machine.graphs import circles

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.entries import AnyPart, Entry, ModeEntry
    from diagnose.machine.schema import RaiseEntry
    from diagnose.machine.subject import Subject

SIZES = {
    "wire": ("wire_size", ("awg", "mm2")),
    "load": ("load_size", ("ohms", "amps", "watts")),
    "motor": ("load_size", ("ohms", "amps")),
}
"""Kind of part -> rule, and the keys of which it has exactly one."""

FITTING_KINDS = {"load": ("load", "motor"), "motor": ("motor",), "relay": ("relay",)}
"""Kind of function -> kinds of part that it can go by."""

HANDLED_WITH_CARE = ("battery", "relay", "contacts", "motor")
"""Kinds of part that need a caution whenever somebody works on them."""


def check_parts(subject: Subject) -> Iterator[Problem]:
    """Sizes, priors, causes, areas and functions."""
    levels: dict[str, int] = {}
    for name, function in subject.file.functions.items():
        if function.kind != "all_of":
            there = len(subject.levels_of(name))
            levels[function.part] = max(there, levels.get(function.part, 0))
    for part, entry in subject.file.parts.items():
        yield from _size(subject, ("parts", part), entry)
        for terminal in entry.pins:
            if terminal not in entry.terminals:
                place = ("parts", part, "pins", terminal)
                yield subject.unknown(place, terminal, "terminal", list(entry.terminals), key=True)
        yield from _part_modes(subject, part, entry, levels.get(part, 0))
        yield from _repairs(subject, ("parts", part), entry)
    yield from _causes(subject)
    inside = {name: [a.inside] if a.inside else [] for name, a in subject.file.areas.items()}
    yield from cycles(subject, "areas", inside, "inside", "area_cycle")
    yield from _functions(subject)


def _one_of(
    subject: Subject, path: Path, entry: Entry, keys: Sequence[str], rule: str
) -> Iterator[Problem]:
    """A problem when not exactly one of the keys is given."""
    given = [f"`{key}`" for key in keys if getattr(entry, key) is not None]
    if len(given) != 1:
        met = " and ".join(given) or ("neither" if len(keys) == 2 else "none")
        both = "both " if len(given) == 2 else ""
        expected = ", ".join(f"`{key}`" for key in keys)
        message = f"met {both}{met}; expected exactly one of {expected}"
        yield subject.problem(path, message, rule, key=True)


def _size(subject: Subject, path: Path, entry: AnyPart) -> Iterator[Problem]:
    if entry.kind in SIZES:
        rule, keys = SIZES[entry.kind]
        yield from _one_of(subject, path, entry, keys, rule)
    elif entry.kind == "relay" and subject.volts_known:
        values = part_values(entry, subject.file.machine.nominal_volts)
        pull_in, drop_out = values["pull_in_volts"], values["drop_out_volts"]
        if drop_out >= pull_in:
            message = f"lets go at {drop_out:g} V but pulls in at {pull_in:g} V; expected lower"
            yield subject.problem((*path, "drop_out_volts"), message, "relay_drop_out")
    elif entry.kind == "controller":
        for i, put_in in enumerate(entry.inputs):
            keys = ("at_least_volts", "below_volts")
            yield from _one_of(subject, (*path, "inputs", i), put_in, keys, "input_bounds")


def _part_modes(subject: Subject, part: str, entry: AnyPart, levels: int) -> Iterator[Problem]:
    """Modes of a part; `levels` are those of the functions that go by it, 0 without one."""
    path = ("parts", part, "modes")
    if not entry.modes:
        message = "met no failure mode; expected at least one"
        yield subject.problem(path, message, "part_without_mode", key=True)
    if "ok" in entry.modes:
        message = "`ok` is the state without a failure; it is there without being listed"
        yield subject.problem((*path, "ok"), message, "reserved_id", key=True)
    total = sum(mode.per_1000_jobs for mode in entry.modes.values())
    if total > 1000:
        message = f"the priors sum to {total:g} per 1000 jobs; expected at most 1000"
        yield subject.problem(path, message, "prior_sum", key=True)
    for name, mode in entry.modes.items():
        yield from _effects(subject, (*path, name), entry, mode)
        if levels and isinstance(mode.at_best, int) and mode.at_best >= levels:
            message = f"met level {mode.at_best}; the last level is {levels - 1}"
            yield subject.problem((*path, name, "at_best"), message, "unknown_level")


def _effects(subject: Subject, path: Path, entry: AnyPart, mode: ModeEntry) -> Iterator[Problem]:
    """What a mode does beyond the circuit of its own part."""
    for function, level in mode.at_most.items():
        there = subject.levels_of(function)
        if there and level not in there:
            yield subject.unknown((*path, "at_most", function), level, "level", there)
    for other, as_mode in mode.acts_as.items():
        there = subject.modes_of(other)
        if other == path[1]:
            message = f"{other!r} cannot act as itself; expected another part"
            yield subject.problem((*path, "acts_as"), message, "acts_as_itself", key=True)
        elif there and as_mode not in there:
            yield subject.unknown((*path, "acts_as", other), as_mode, "mode", there)
    if entry.kind == MECHANICAL and not mode.at_most and not mode.acts_as:
        message = "does nothing; expected `at_most` or `acts_as` of a mechanical part"
        yield subject.problem(path, message, "mode_without_effect", key=True)


def _repairs(subject: Subject, path: Path, entry: AnyPart) -> Iterator[Problem]:
    if entry.area is None and entry.kind not in HANDLED_WITH_CARE:
        return
    why = f"opens {entry.area!r}" if entry.area else f"handles a {entry.kind}"
    for name, repair in entry.repairs.items():
        if not repair.cautions:
            message = f"the repair {why}; expected at least one caution"
            yield subject.problem((*path, "repairs", name), message, "caution_missing", key=True)


def _causes(subject: Subject) -> Iterator[Problem]:
    for cause, entry in subject.file.shared_causes.items():
        path: Path = ("shared_causes", cause)
        yield from _one_of(subject, path, entry, ("per_1000_jobs", "part"), "cause_prior")
        if (entry.part is None) != (not entry.modes):
            message = "`part` and `modes` go together: the part's modes that are this cause"
            yield subject.problem(path, message, "cause_prior", key=True)
        for i, raised in enumerate(entry.raises):
            yield from _raise(subject, (*path, "raises", i), raised)


def _raise(subject: Subject, path: Path, entry: RaiseEntry) -> Iterator[Problem]:
    if (not entry.parts) == (entry.kind is None):
        yield subject.problem(path, "expected exactly one of `parts`, `kind`", "cause_raises")
        return
    if entry.areas is not None and entry.kind is None:
        yield subject.problem((*path, "areas"), "`areas` goes with `kind` only", "cause_raises")
    areas = subject.section("areas") or {}
    if entry.kind is not None and (entry.kind not in part_kinds() or not _told(subject, areas)):
        return
    parts = subject.reached(entry)
    if entry.parts and len(parts) < len(entry.parts):
        return  # a name that is not known has a problem of its own
    if not any(set(subject.modes_of(part)) & set(entry.modes) for part in parts):
        message = f"none of {', '.join(parts) or 'the parts'} has a mode of {entry.modes}"
        yield subject.problem(path, message, "cause_raises")


def _told(subject: Subject, areas: Mapping[str, object]) -> bool:
    """Whether kind and area of every part are known ones, so that a raise by kind says whom."""
    kinds, parts = part_kinds(), subject.section("parts")
    for part in parts or {}:
        area = subject.entry("parts", part).get("area")
        if subject.kind_of(part) not in kinds or not (area is None or str(area) in areas):
            return False
    return parts is not None


def _functions(subject: Subject) -> Iterator[Problem]:
    for function, entry in subject.file.functions.items():
        path: Path = ("functions", function)
        if entry.kind == "all_of":
            continue
        kind = subject.kind_of(entry.part)
        fitting = FITTING_KINDS[entry.kind]
        if kind and kind not in fitting:
            message = f"{entry.part!r} is a {kind}; expected a {' or '.join(fitting)}"
            yield subject.problem((*path, "part"), message, "function_part")
        if entry.kind != "relay":
            bounds = {name: level.at_least_volts for name, level in entry.levels.items()}
            yield from check_bounds(subject, (*path, "levels"), bounds, "at_least_volts")
    yield from cycles(subject, "functions", _rests_on(subject), "needs", "needs_cycle")


def _rests_on(subject: Subject) -> dict[str, list[str]]:
    """Function -> those it is made up of, or those that its condition needs."""
    conditions, found = subject.file.conditions, dict[str, list[str]]()
    for name, function in subject.file.functions.items():
        if function.kind == "all_of":
            found[name] = list(function.needs)
        elif function.condition in conditions:
            found[name] = list(conditions[function.condition].needs)
    return found


def check_bounds(
    subject: Subject, path: Path, bounds: Mapping[str, float | None], key: str
) -> Iterator[Problem]:
    """Lower bounds must fall strictly, and the last entry must have none."""
    names = list(bounds)
    if len(names) < 2:
        message = f"met {len(names)}; expected at least two"
        yield subject.problem(path, message, "too_few_outcomes", key=True)
    above: float | None = None
    for name in names[:-1]:
        bound = bounds[name]
        if bound is None:
            message = f"`{key}` is missing; only the last has no bound"
            yield subject.problem((*path, name), message, "missing_key", key=True)
        elif above is not None and bound >= above:
            message = f"met {bound:g} after {above:g}; expected strictly falling bounds"
            yield subject.problem((*path, name, key), message, "thresholds_order")
        above = bound if bound is not None else above
    if names and bounds[names[-1]] is not None:
        message = "the last one takes all that is left; expected no bound"
        yield subject.problem((*path, names[-1], key), message, "last_has_bound")


def cycles(
    subject: Subject, section: str, needs: Mapping[str, Sequence[str]], key: str, rule: str
) -> Iterator[Problem]:
    """One problem for each circle in `needs`, at the first of its members in the file."""
    for loop in circles(needs):
        shown = " -> ".join([*loop, loop[0]])
        yield subject.problem((section, loop[0], key), f"a circle: {shown}", rule)
