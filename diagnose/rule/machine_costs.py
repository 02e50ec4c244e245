"""The costs of a machine's shop, as its file has them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import TRY
from diagnose.machine.model import NEW_LENGTH, NEW_PART, NOT_POSSIBLE
from diagnose.rule.costs import Costs, Ints, RepairCosts, TestCosts, make_costs
from diagnose.rule.minutes import access_minutes, price_minutes

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from diagnose.machine.model import Machine, Part, Repair

WIGGLE = "wiggle"
"""Kind of test that moves what may be loose."""


def machine_costs(machine: Machine, faults: Sequence[tuple[str, str]]) -> Costs:
    """The costs of a machine's shop.

    Args:
        machine: the machine.
        faults: (part, mode) by number.
    """
    names, tests = tuple(machine.tests), list(machine.tests.values())
    areas = list(machine.areas)
    place = {area: number for number, area in enumerate(areas)}
    repairs = [(part, repair) for part in machine.parts.values() for repair in part.repairs]
    units = {part: machine.in_unit_with(part) for part in machine.parts}
    mends = [repair.puts_right(part.id) for part, repair in repairs]
    fixes = [[mode in fixed.get(name, ()) for name, mode in faults] for fixed in mends]
    wasted = [repair.id == NEW_PART and part.kind != "fuse" for part, repair in repairs]
    minutes = [repair.minutes + price_minutes(machine, repair.price_eur) for _, repair in repairs]
    return make_costs(
        TestCosts(
            names=names,
            minutes=np.array([test.minutes for test in tests], dtype=np.float64),
            area=_numbers(place.get(test.area or "", -1) for test in tests),
            needs=tuple(sum(1 << names.index(need) for need in test.needs) for test in tests),
            again=np.array([test.cause is None for test in tests], dtype=bool),
            cannot=_numbers(
                next((k for k, one in enumerate(test.outcomes) if one.id == NOT_POSSIBLE), -1)
                for test in tests
            ),
            trying=sum(1 << k for k, test in enumerate(tests) if test.kind == TRY),
            moving=np.array([test.kind in (TRY, WIGGLE) for test in tests], dtype=bool),
        ),
        RepairCosts(
            names=tuple(f"{part.id}.{repair.id}" for part, repair in repairs),
            minutes=np.array(minutes, dtype=np.float64),
            area=_numbers(place.get(part.area or "", -1) for part, _ in repairs),
            fixes=np.array(fixes, dtype=np.int8).reshape(len(repairs), len(faults)),
            new_part=np.array(wasted, dtype=bool),
            licensed=np.array([repair.licensed for _, repair in repairs], dtype=bool),
            renews=np.array(
                [[name in units[part.id] for name, _ in faults] for part, _ in repairs],
                dtype=np.int8,
            ).reshape(len(repairs), len(faults)),
            fits_new=np.array(wasted, dtype=bool) | [r.id == NEW_LENGTH for _, r in repairs],
            after=_numbers(_before(repairs, repair) for _, repair in repairs),
            unless=np.array(
                [
                    [name == part.id and mode in repair.unless for name, mode in faults]
                    for part, repair in repairs
                ],
                dtype=np.int8,
            ).reshape(len(repairs), len(faults)),
        ),
        tuple(areas),
        np.array([access_minutes(area) for area in machine.areas.values()], dtype=np.float64),
        [place.get(area.inside or "", -1) for area in machine.areas.values()],
        check_minutes=machine.shop.check_minutes,
        hand_over_minutes=machine.shop.escalate_minutes,
        good_part_minutes=machine.shop.good_part_minutes,
    )


def _before(repairs: Sequence[tuple[Part, Repair]], repair: Repair) -> int:
    """Number of the repair that is done before another, -1 for none."""
    names = [(part.id, known.id) for part, known in repairs]
    return -1 if repair.after is None else names.index(repair.after)


def _numbers(values: Iterable[int]) -> Ints:
    return np.array(list(values), dtype=np.int64)
