"""What each test must obey: probes that can tell something, bounds in order, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.build_tests import (
    UNSTEADY,
    ElectricalTest,
    outcome_bound,
    test_parts,
    test_probes,
    watched_function,
)
from diagnose.machine.check_parts import HANDLED_WITH_CARE, check_bounds, cycles
from diagnose.machine.dictionary import part_kinds
from diagnose.machine.entries_of_tests import (
    AmpsTest,
    BridgeTest,
    LoadTest,
    LookTest,
    MotorFunction,
    OhmsTest,
    SubstituteTest,
    WiggleTest,
)
from diagnose.machine.part_entries import ControllerEntry, RelayEntry
from diagnose.machine.wiring import main_path

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.entries_of_tests import AnyTest
    from diagnose.machine.subject import Subject


def check_tests(subject: Subject) -> Iterator[Problem]:
    """Problems of the tests."""
    cranking = _cranking(subject)
    joined = _joined(subject) if subject.whole else {}
    for test, entry in subject.file.tests.items():
        path: Path = ("tests", test)
        yield from _outcomes(subject, path, entry)
        yield from _probes(subject, path, entry, joined)
        yield from _parts(subject, path, entry)
        yield from _condition(subject, path, entry)
        yield from _cautions(subject, path, entry, cranking)
    needs = {name: entry.needs for name, entry in subject.file.tests.items()}
    yield from cycles(subject, "tests", needs, "needs", "needs_cycle")


def _outcomes(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    if not isinstance(entry, ElectricalTest) or entry.outcomes is None:
        return
    unit = {"amps": "amps", "ohms": "ohms"}.get(entry.kind, "volts")
    bounds = {name: outcome_bound(outcome) for name, outcome in entry.outcomes.items()}
    where = (*path, "outcomes")
    yield from check_bounds(subject, where, bounds, f"at_least_{unit}")
    if UNSTEADY in bounds:
        message = f"`{UNSTEADY}` is there without being listed; choose another name"
        yield subject.problem((*where, UNSTEADY), message, "reserved_id", key=True)


def _joined(subject: Subject) -> dict[str, int]:
    """Net -> number of the group of nets that parts of any kind join."""
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.Graph()
    for entry in subject.file.parts.values():
        graph.add_edge(*main_path(entry))
        if isinstance(entry, RelayEntry):
            graph.add_edge(entry.coil_in, entry.coil_out)
        if isinstance(entry, ControllerEntry):
            graph.add_edge(entry.supply, entry.ground)
    groups = nx.connected_components(graph)
    return {net: number for number, group in enumerate(groups) for net in group}


def _probes(
    subject: Subject, path: Path, entry: AnyTest, joined: dict[str, int]
) -> Iterator[Problem]:
    if isinstance(entry, LoadTest):
        return
    probes = test_probes(entry, subject.file)
    if probes is None:
        return
    first, second = probes
    if first == second:
        message = f"both probes are on {first!r}; the test can tell nothing"
        yield subject.problem((*path, "probes"), message, "probes_same", key=True)
    elif joined.get(first, -1) != joined.get(second, -1) and {first, second} <= set(joined):
        message = f"no parts join {first!r} and {second!r}; the test can tell nothing"
        yield subject.problem((*path, "probes"), message, "probes_unconnected", key=True)


def _parts(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    parts = test_parts(entry)
    where = (*path, "parts")
    if isinstance(entry, LookTest):
        given = [name for name in ("function", "parts", "cause") if getattr(entry, name)]
        if len(given) != 1:
            message = f"met {' and '.join(given) or 'none'}; expected one of function, parts, cause"
            yield subject.problem(path, message, "look_subject", key=True)
        return
    coil = isinstance(entry, OhmsTest) and entry.across == "coil"
    one = coil or isinstance(entry, AmpsTest | LoadTest | SubstituteTest | BridgeTest)
    if (one and len(parts) != 1) or (isinstance(entry, OhmsTest | WiggleTest) and not parts):
        message = f"met {len(parts)} parts; expected {'exactly' if one else 'at least'} one"
        yield subject.problem(where, message, "part_count", key=True)
        return
    for i, part in enumerate(parts):
        kind = subject.kind_of(part)
        expected = _fitting(entry)
        if kind and expected and kind not in expected:
            message = f"{part!r} is a {kind}; expected {' or '.join(expected)}"
            yield subject.problem((*where, i), message, "part_kind")
    known = all(part in subject.file.parts for part in parts)
    if isinstance(entry, OhmsTest) and known and not _in_series(subject, parts):
        message = f"{', '.join(parts)} do not follow one another in one line"
        yield subject.problem(where, message, "not_in_series", key=True)


def _fitting(entry: AnyTest) -> tuple[str, ...]:
    """Kinds of part that a test can be done on; empty when any will do."""
    if isinstance(entry, LoadTest):
        return ("battery",)
    kinds = part_kinds()
    if isinstance(entry, BridgeTest):
        return tuple(kind for kind, row in kinds.items() if row.conducts)
    if isinstance(entry, OhmsTest) and entry.across == "coil":
        return ("relay",)
    if isinstance(entry, OhmsTest):
        return tuple(kind for kind in kinds if kind not in ("battery", "generator", "controller"))
    return ()


def _in_series(subject: Subject, parts: tuple[str, ...]) -> bool:
    """Whether the main paths of `parts` make one line without a branch."""
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.MultiGraph([main_path(subject.file.parts[part]) for part in parts])
    degrees = [degree for _, degree in graph.degree()]
    return nx.is_connected(graph) and max(degrees) <= 2 and len(degrees) == len(parts) + 1


def _condition(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    function = subject.file.functions.get(watched_function(entry) or "")
    expected = getattr(function, "condition", None)
    if entry.condition is not None and expected is not None and entry.condition != expected:
        message = f"met {entry.condition!r}; the function is watched in {expected!r}"
        yield subject.problem((*path, "condition"), message, "condition_differs")


def _cranking(subject: Subject) -> set[str]:
    """Conditions in which the engine may crank: all switches of a motor's condition closed."""
    conditions = subject.file.conditions
    starts = [
        set(conditions[f.condition].closes)
        for f in subject.file.functions.values()
        if isinstance(f, MotorFunction) and f.condition in conditions
    ]
    return {
        name
        for name, condition in conditions.items()
        if any(start <= set(condition.closes) for start in starts)
    }


def _cautions(
    subject: Subject, path: Path, entry: AnyTest, cranking: set[str]
) -> Iterator[Problem]:
    if entry.cautions:
        return
    function = subject.file.functions.get(watched_function(entry) or "")
    condition = entry.condition or getattr(function, "condition", None)
    touched = (*test_parts(entry), *entry.unplugged)
    care = [part for part in touched if subject.kind_of(part) in HANDLED_WITH_CARE]
    why = ""
    if entry.area is not None:
        why = f"opens {entry.area!r}"
    elif care:
        why = f"handles {care[0]!r} (a {subject.kind_of(care[0])})"
    elif condition in cranking:
        why = f"is done in {condition!r}, when the engine may crank"
    if why:
        message = f"the test {why}; expected at least one caution"
        yield subject.problem(path, message, "caution_missing", key=True)
