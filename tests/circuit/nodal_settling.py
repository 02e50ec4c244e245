"""What a circuit comes to rest at: relays and controllers move, fuses blow, and it is solved again.

On top of the nodal analysis; like that, it imports nothing of the circuit solver.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tests.circuit.nodal import MOVERS, Hookup, Standing, branch_values, is_replaced, solve

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from diagnose.machine.model import Mode, Part
    from tests.circuit.nodal import Schematic

BLOW_RATIO = 1.35
"""ISO 8820-3: a blade fuse opens at 1.35 times its rating, within minutes."""

AWAKE = 0.5
"""Share of nominal volts a controller needs when its file does not say; estimate."""


def is_worked(
    schematic: Schematic,
    hookup: Hookup,
    part: Part,
    fault: Mode | None,
    volts: NDArray[np.float64],
    already: bool,
) -> bool:
    """Whether a relay's coil or a controller's inputs move its contacts away from rest."""
    if part.id in hookup.unplugged or (fault is not None and fault.coil_open):
        return False
    ends = part.terminals
    if part.kind == "relay":
        needed = part.pull_in_volts
        if fault is not None and fault.pull_in_volts is not None:
            needed = fault.pull_in_volts
        if already and part.drop_out_volts:
            needed = part.drop_out_volts
        return abs(schematic.volts_between(volts, ends["coil_in"], ends["coil_out"])) >= needed
    if not any((i.net, i.against) == (ends["supply"], ends["ground"]) for i in part.inputs):
        awake = schematic.volts_between(volts, ends["supply"], ends["ground"])
        if awake < AWAKE * schematic.machine.nominal_volts:
            return False
    for one in part.inputs:
        met = schematic.volts_between(volts, one.net, one.against)
        if one.at_least_volts is not None and met < one.at_least_volts:
            return False
        if one.below_volts is not None and met >= one.below_volts:
            return False
    return True


def conducts(
    schematic: Schematic,
    hookup: Hookup,
    part: Part,
    volts: NDArray[np.float64],
    already: bool,
) -> bool:
    """Whether a diode does: above what it drops, and from there while any current is left."""
    ahead = schematic.volts_between(volts, part.terminals["from"], part.terminals["to"])
    least = part.emf_volts * (1.0 - 1e-6 if already else 1.0)
    return part.id not in hookup.unplugged and ahead >= least


def drawn_along(
    schematic: Schematic, part: Part, fault: Mapping[str, Mode | None], worked: frozenset[str]
) -> bool:
    """Whether a relay's armature has moved further contacts; welded ones hold it where they are."""
    if part.kind != "contacts":
        return False
    relay = schematic.machine.parts[str(part.relay)]
    own = fault[relay.id]
    if own is not None and own.always_closed:
        return not relay.normally_closed
    return relay.id in worked


def settle(
    schematic: Schematic,
    hookup: Hookup,
    faults: Mapping[str, Mode],
    blown: frozenset[str],
    touching: bool,
) -> tuple[Standing, Standing]:
    """Let the contacts move from rest until they stay, or until they go round in a circle.

    Returns:
        The same circuit twice when it stays; else, of the circle, the state with the contacts
        pulled in and the one with them let go (the parts' order decides between several).
    """
    movers = [p for p in schematic.machine.parts.values() if p.kind in MOVERS]
    met: dict[frozenset[str], Standing] = {}
    worked: frozenset[str] = frozenset()
    while worked not in met:
        ohms, emf = branch_values(schematic, hookup, faults, worked, blown, touching)
        volts = solve(schematic, ohms, emf)
        met[worked] = Standing(ohms, emf, volts, worked)
        kept = [p for p in movers if not is_replaced(schematic.machine, hookup, p.id)]
        fault = {p.id: faults.get(p.id) if p in kept else None for p in movers}
        by_volts = frozenset(
            p.id
            for p in movers
            if p.kind in ("relay", "controller")
            and is_worked(schematic, hookup, p, fault[p.id], volts, p.id in worked)
        )
        along = frozenset(p.id for p in movers if drawn_along(schematic, p, fault, by_volts))
        one_way = frozenset(
            p.id
            for p in movers
            if p.kind == "diode" and conducts(schematic, hookup, p, volts, p.id in worked)
        )
        last, worked = worked, by_volts | along | one_way
    if worked == last:
        return met[worked], met[worked]
    states = list(met)
    circle = states[states.index(worked) :]
    circle.sort(key=lambda state: [p.id in state for p in movers])
    moving = frozenset.union(*circle) - frozenset.intersection(*circle)
    pulled, let_go = met[circle[-1]], met[circle[0]]
    return replace(pulled, moving=moving), replace(let_go, moving=moving)


def blown_fuses(
    schematic: Schematic,
    faults: Mapping[str, Mode],
    settled: dict[object, tuple[Standing, Standing]],
) -> frozenset[str]:
    """Fuses that an overload in any plain condition has blown, the most overloaded first.

    What the plain conditions settle to is left in `settled`, by condition and fuses blown.
    """
    blown: frozenset[str] = frozenset()
    fuses = {p.id: p.fuse_amps for p in schematic.machine.parts.values() if p.fuse_amps}
    for condition in schematic.machine.conditions:
        while True:
            both = settle(schematic, Hookup(condition), faults, blown, touching=True)
            settled[condition, blown] = both
            ratio = {
                f: abs(schematic.amps(both[0], f)) / amps
                for f, amps in fuses.items()
                if f not in blown
            }
            # Fuses in one line carry the same current: of equals the first in the file goes.
            most = max(ratio.values(), default=0.0)
            if most < BLOW_RATIO:
                break
            blown |= {next(f for f, load in ratio.items() if load > most * (1.0 - 1e-9))}
    return blown


def readings_of(
    schematic: Schematic, hookups: Iterable[Hookup], faults: Mapping[str, Mode]
) -> list[tuple[Standing, Standing]]:
    """The two circuits an instrument may meet in each arrangement.

    They differ where the circuit is unsteady: joints touching and apart, contacts pulled in and
    let go.
    """
    settled: dict[object, tuple[Standing, Standing]] = {}
    blown = blown_fuses(schematic, faults, settled)
    found = []
    for hookup in hookups:
        plain = (hookup.condition, blown) if hookup == Hookup(hookup.condition) else None
        one, other = settled.get(plain) or settle(schematic, hookup, faults, blown, touching=True)
        machine = schematic.machine
        if any(m.loose and not is_replaced(machine, hookup, part) for part, m in faults.items()):
            other, _ = settle(schematic, hookup, faults, blown, touching=False)
        found.append((one, other))
    return found
