"""From the tests of a machine file to frozen tests with outcomes, range and spread filled in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.build_parts import DICTIONARY_VOLTS
from diagnose.machine.dictionary import test_kinds, unsteady_title
from diagnose.machine.entries_of_tests import (
    AmpsOutcome,
    AmpsTest,
    BridgeTest,
    LampTest,
    ListenTest,
    LoadTest,
    LookTest,
    OhmsOutcome,
    OhmsTest,
    ProbedTest,
    SubstituteTest,
    WiggleTest,
)
from diagnose.machine.model import Outcome, Test

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.dictionary import OutcomeKind, TestDefaults
    from diagnose.machine.entries_of_tests import AnyTest, VoltsOutcome
    from diagnose.machine.model import Function
    from diagnose.machine.schema import MachineFile

UNSTEADY = "unsteady"
"""Outcome that electrical tests get beside those of the file."""

ElectricalTest = ProbedTest | LampTest | AmpsTest | OhmsTest | LoadTest


def watched_function(entry: AnyTest) -> str | None:
    """The function that a test listens to, looks at, or watches while bridging."""
    if isinstance(entry, ListenTest | LookTest | SubstituteTest | BridgeTest):
        return entry.function
    return None


def test_parts(entry: AnyTest) -> tuple[str, ...]:
    """The parts that a test measures, clamps, looks at, moves, bridges or puts in anew."""
    if isinstance(
        entry, AmpsTest | OhmsTest | LoadTest | LookTest | WiggleTest | SubstituteTest | BridgeTest
    ):
        return tuple(entry.parts or ())
    return ()


test_parts.__test__ = False  # type: ignore[attr-defined]


def test_probes(entry: AnyTest, file: MachineFile) -> tuple[str, str] | None:
    """Nets between which a test measures, (red, black) or (tip, clip); None without probes."""
    if isinstance(entry, ProbedTest):
        return entry.probes.red, entry.probes.black
    if isinstance(entry, LampTest):
        return entry.probes.tip, entry.probes.clip
    if isinstance(entry, LoadTest):
        ends = file.parts[entry.parts[0]].terminals()
        return ends["plus"], ends["minus"]
    return None


test_probes.__test__ = False  # type: ignore[attr-defined]


def outcome_bound(outcome: VoltsOutcome | AmpsOutcome | OhmsOutcome) -> float | None:
    """Lower bound of an outcome in the test's unit."""
    if isinstance(outcome, AmpsOutcome):
        bound = outcome.at_least_amps
    elif isinstance(outcome, OhmsOutcome):
        bound = outcome.at_least_ohms
    else:
        bound = outcome.at_least_volts
    return None if bound is None else float(bound)


def build_test(id_: str, file: MachineFile, functions: Mapping[str, Function]) -> Test:
    """One test with outcomes, instrument and spread."""
    entry = file.tests[id_]
    default = test_kinds()[entry.kind]
    nominal = float(file.machine.nominal_volts)
    scale = nominal / DICTIONARY_VOLTS if default.scales else 1.0
    function = watched_function(entry)
    spread, spread_percent = _spread(entry, default, scale)
    return Test(
        id=id_,
        title=entry.title,
        kind=entry.kind,
        condition=entry.condition or (functions[function].condition if function else None),
        tool=entry.tool or default.tool,
        minutes=float(entry.minutes),
        area=entry.area,
        outcomes=_outcomes(entry, default, functions, scale),
        cautions=tuple(entry.cautions),
        source=entry.source or "",
        probes=test_probes(entry, file),
        parts=test_parts(entry),
        function=function,
        cause=entry.cause if isinstance(entry, LookTest) else None,
        unplugged=tuple(entry.unplugged),
        needs=tuple(entry.needs),
        added_ohms=_added_ohms(entry, default, nominal),
        across=entry.across if isinstance(entry, OhmsTest) else "path",
        unit=default.unit,
        low=default.low * scale,
        high=default.high * scale,
        spread=spread,
        spread_percent=spread_percent,
        slip_percent=float(
            default.slip_percent if entry.slip_percent is None else entry.slip_percent
        ),
    )


build_test.__test__ = False  # type: ignore[attr-defined]


def _added_ohms(entry: AnyTest, default: TestDefaults, nominal: float) -> float | None:
    if isinstance(entry, LampTest):
        return float(entry.lamp_ohms or default.lamp_ohms or 0.0)
    if isinstance(entry, LoadTest):
        return nominal / float(entry.amps)
    return None


def _spread(entry: AnyTest, default: TestDefaults, scale: float) -> tuple[float, float]:
    if not isinstance(entry, ElectricalTest):
        return 0.0, 0.0
    if isinstance(entry, AmpsTest):
        own = entry.spread_amps
    elif isinstance(entry, OhmsTest):
        own = entry.spread_ohms
    else:
        own = entry.spread_volts
    percent = default.spread_percent if entry.spread_percent is None else entry.spread_percent
    return float(own or default.spread * scale), float(percent)


def _outcomes(
    entry: AnyTest, default: TestDefaults, functions: Mapping[str, Function], scale: float
) -> tuple[Outcome, ...]:
    function = watched_function(entry)
    if function is not None:
        levels = functions[function].levels
        return tuple(Outcome(level.id, level.id.replace("_", " ")) for level in levels)
    if isinstance(entry, LookTest):
        return _plain(default.cause_outcomes if entry.cause else default.parts_outcomes, 1.0)
    if not isinstance(entry, ElectricalTest):
        return _plain(default.outcomes, 1.0)
    own = entry.outcomes
    found = _plain(default.outcomes, scale) if own is None else _own(own, default)
    if default.unsteady:
        found = (*found, Outcome(UNSTEADY, unsteady_title()))
    return found


def _plain(kinds: Mapping[str, OutcomeKind], scale: float) -> tuple[Outcome, ...]:
    return tuple(
        Outcome(name, kind.title, None if kind.at_least is None else kind.at_least * scale)
        for name, kind in kinds.items()
    )


def _own(
    own: Mapping[str, VoltsOutcome] | Mapping[str, AmpsOutcome] | Mapping[str, OhmsOutcome],
    default: TestDefaults,
) -> tuple[Outcome, ...]:
    unit = default.unit or "V"
    found: list[Outcome] = []
    above: float | None = None
    for name, given in own.items():
        bound = outcome_bound(given)
        title = given.title or _range_title(bound, above, unit)
        found.append(Outcome(name, title, bound))
        above = bound
    return tuple(found)


def _range_title(bound: float | None, above: float | None, unit: str) -> str:
    if bound is not None and above is not None:
        return f"{bound:g} to {above:g} {unit}"
    if bound is not None:
        return f"{bound:g} {unit} or more"
    return "any reading" if above is None else f"below {above:g} {unit}"
