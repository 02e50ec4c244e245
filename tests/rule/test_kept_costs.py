"""What the rule keeps in memory is bounded, and is what it was when it is worked out again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, cast

import numpy as np

from diagnose.belief.situation import Situation
from diagnose.job import prepare
from diagnose.rule import prepared as machines
from diagnose.rule.prepared import Prepared
from tests.rule.test_repair_cost import with_areas

if TYPE_CHECKING:
    from diagnose.kept import Kept

MILLION = 1_000_000


def test_costs_are_kept_for_a_thousand_and_twenty_four_sets_of_open_areas() -> None:
    costs = with_areas([5.0, 3.0], [-1, 0], [1, -1])
    first = costs.at(0)
    for open_areas in range(1, 1024):
        costs.at(open_areas)
    assert costs.at(0) is first
    costs.at(1024)
    again = costs.at(0)
    assert again is not first
    np.testing.assert_array_equal(again.repair_minutes, first.repair_minutes)


@dataclass
class Large:
    """As large as it says."""

    nbytes: int


def test_machines_take_two_hundred_and_fifty_six_megabytes_and_no_more() -> None:
    kept = cast("Kept[Large]", machines._prepared)
    kept.clear()
    try:
        for name, megabytes in (("a", 85), ("b", 85), ("c", 86)):
            kept.get(("as large as it says", name), partial(Large, megabytes * MILLION))
        assert machines.prepared_bytes() == 256 * MILLION
        kept.get(("as large as it says", "d"), lambda: Large(1))
        assert machines.prepared_bytes() == 171 * MILLION + 1  # the oldest is gone
        assert not kept.holds(("as large as it says", "a"))
    finally:
        kept.clear()


def test_a_machine_that_grows_while_it_is_kept_counts_as_it_is_now() -> None:
    kept = cast("Kept[Large]", machines._prepared)
    kept.clear()
    try:
        first = kept.get(("as large as it says", "a"), lambda: Large(MILLION))
        first.nbytes = 200 * MILLION
        assert machines.prepared_bytes() == 200 * MILLION
        kept.get(("as large as it says", "b"), lambda: Large(57 * MILLION))
        assert machines.prepared_bytes() == 57 * MILLION
    finally:
        kept.clear()


def test_beliefs_of_a_machine_take_eight_megabytes_and_no_more() -> None:
    # The same job at other temperatures of the battery is another situation each time.
    ready = prepare("standby_pump")
    sizes, before = list[int](), ready._beliefs.nbytes()
    for tenth in range(800):
        situation = Situation("silent", temperature_celsius=5.0 + tenth / 10.0)
        sizes.append(ready.belief(situation).nbytes)
        held = ready._beliefs.nbytes()
        assert held <= 8 * MILLION
        if held < before + sizes[-1]:
            break  # something had to go
        before = held
    assert held < before + sizes[-1]
    assert before + sizes[-1] > 8 * MILLION


def test_eight_megabytes_of_beliefs_are_kept_to_the_byte() -> None:
    ready = prepare("standby_pump")
    own = replace(ready, _beliefs=Prepared.__dataclass_fields__["_beliefs"].default_factory())
    kept = cast("Kept[Large]", own._beliefs)
    for name in "ab":
        kept.get(name, lambda: Large(4 * MILLION))
    assert kept.nbytes() == 8 * MILLION
    assert own.nbytes == own.sets.nbytes + 8 * MILLION
    kept.get("c", lambda: Large(1))
    assert kept.nbytes() == 4 * MILLION + 1
