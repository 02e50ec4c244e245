"""A review worked out on paper.

Terms after IEEE 1522, from memory of the standard; the numbers are worked here. Priors per 1 000:
battery flat 100, fuse 50, switch open 30, switch stuck closed 20, lamp 15, ground 5: 220 in all.

    fault               look   fuse_lamp  switch_volts
    good                full   bright     full
    battery.flat        dim    dim        low
    fuse.open           dark   dark       none
    switch.open         dark   bright     none
    switch.stuck_closed full   bright     full          undetected
    lamp.open           dark   bright     full          one group of
    earth.open          dark   bright     full          two repair items
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief.situation import Situation
from diagnose.errors import UnknownNameError
from diagnose.faults.words import SHARE_OF_MACHINES
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names
from diagnose.review.groups import repair_items
from diagnose.review.isolation import isolation_minutes
from diagnose.review.review import TOOL_SETS, Review, review_machine, review_table, review_tool_sets
from diagnose.review.table import make_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.machine.model import Machine

PAPER = {
    "good": ("full", "bright", "full"),
    "battery.flat": ("dim", "dim", "low"),
    "fuse.open": ("dark", "dark", "none"),
    "switch.open": ("dark", "bright", "none"),
    "switch.stuck_closed": ("full", "bright", "full"),
    "lamp.open": ("dark", "bright", "full"),
    "earth.open": ("dark", "bright", "full"),
}


@pytest.fixture(scope="module")
def reviews(bench_lamp: Machine) -> dict[str, Review]:
    return review_tool_sets(bench_lamp)


def test_the_d_matrix_is_the_one_on_paper(reviews: dict[str, Review]) -> None:
    table = reviews["all"].d_matrix
    shown = table[["look", "fuse_lamp", "switch_volts"]]
    assert {str(k): tuple(v) for k, v in zip(shown.index, shown.to_numpy(), strict=True)} == PAPER
    assert list(table["look.differs"]) == [0, 1, 1, 1, 0, 1, 1]
    assert list(table["detected"]) == [0, 1, 1, 1, 0, 1, 1]
    assert list(table["repair_items"]) == [0, 1, 1, 1, 1, 2, 2]


@pytest.mark.parametrize(
    ("tools", "detected", "isolated"),
    [
        # every group of one item but lamp and ground: 180 of the 200 detected
        (["test_lamp", "multimeter"], 200 / 220, (180 / 200, 1.0, 1.0)),
        # switch, lamp and ground read alike: three items
        (["test_lamp"], 200 / 220, (150 / 200, 150 / 200, 1.0)),
        # fuse, switch, lamp and ground read alike: four items
        ([], 200 / 220, (100 / 200, 100 / 200, 100 / 200)),
    ],
)
def test_fractions_by_priors(
    bench_lamp: Machine, tools: list[str], detected: float, isolated: tuple[float, ...]
) -> None:
    found = review_machine(bench_lamp, tools).weighted
    assert found.detected == pytest.approx(detected)
    assert found.isolated == pytest.approx(isolated)


def test_fractions_with_all_faults_alike(reviews: dict[str, Review]) -> None:
    assert reviews["all"].unweighted.detected == pytest.approx(5 / 6)
    assert reviews["all"].unweighted.isolated == pytest.approx((3 / 5, 1.0, 1.0))
    assert reviews["lamp"].unweighted.isolated == pytest.approx((2 / 5, 2 / 5, 1.0))


def test_minutes_to_isolate(bench_lamp: Machine, reviews: dict[str, Review]) -> None:
    # Look first, 1 bit in 1 min against 1.5 in 8 and 1.36 in 4: the flat battery is out after
    # 1 min. Then the switch, 0.72 bit in 4 min against 1 in 2 and the 6 of opening and closing the
    # cover: lamp and ground after 5. Then the fuse: it and the switch after 13.
    table = make_table(bench_lamp)
    rows = [row for row, test in enumerate(table.tests) if test.id != "slow_look"]
    spent = dict(zip(table.faults, isolation_minutes(table, rows, 0), strict=True))
    assert spent["battery", "flat"] == 1
    assert {spent[f] for f in (("lamp", "open"), ("earth", "open"))} == {5}
    assert {spent[f] for f in (("fuse", "open"), ("switch", "open"))} == {13}
    assert np.isnan(spent["switch", "stuck_closed"])
    weighted = (100 * 1 + 20 * 5 + 80 * 13) / 200
    assert reviews["all"].weighted.minutes_to_isolate == pytest.approx(weighted)
    assert reviews["all"].unweighted.minutes_to_isolate == pytest.approx((1 + 2 * 5 + 2 * 13) / 5)


def test_groups_and_parts_that_nothing_tells_apart(reviews: dict[str, Review]) -> None:
    groups = {frozenset(".".join(f) for f in g.faults): g for g in reviews["all"].groups}
    both = groups[frozenset({"lamp.open", "earth.open"})]
    assert both.repair_items == 2
    assert both.prior == pytest.approx(SHARE_OF_MACHINES * 0.020)
    assert [g.faults for g in reviews["all"].groups if not g.detected] == [
        (("switch", "stuck_closed"),)
    ]
    assert reviews["all"].alike == (("lamp", "earth"),)
    # with the lamp alone, lamp and ground still differ from the switch by its undetected mode
    assert reviews["lamp"].alike == (("lamp", "earth"),)


def test_a_test_no_job_comes_to(bench_lamp: Machine, reviews: dict[str, Review]) -> None:
    found = reviews["all"]
    assert set(found.tests) - set(found.never_chosen) == followed_by_advice(bench_lamp, found)
    assert "slow_look" in found.never_chosen
    assert "look" not in found.never_chosen


def followed_by_advice(machine: Machine, review: Review) -> set[str]:
    """Tests that jobs come to, the slow way: one job per complaint and fault, by its verdicts."""
    done: set[str] = set()
    table = make_table(machine)
    shown = {test: row for row, test in enumerate(machine.tests)}
    for row, complaint in enumerate(machine.complaints):
        for fault in np.flatnonzero(table.explains[row] > 0.0):
            job = Job.open(machine, complaint, tools=review.tools)
            while (verdict := job.advise().verdict).action == "test":
                test = machine.tests[verdict.target]
                done.add(test.id)
                outcome = test.outcomes[table.predicted[shown[test.id], fault]]
                job = job.record(test.id, outcome.id)
                if test.area is not None:
                    job = job.open_area(test.area)
    return done


def test_tools_narrow_the_tests(bench_lamp: Machine, reviews: dict[str, Review]) -> None:
    assert list(reviews) == list(TOOL_SETS)
    for wide, narrow in pairwise(reviews.values()):
        assert set(narrow.tests) <= set(wide.tests)
        assert narrow.weighted.detected <= wide.weighted.detected
        assert narrow.weighted.isolated <= wide.weighted.isolated
    alone = review_machine(bench_lamp, ["test_lamp"])
    assert alone.never_chosen == reviews["lamp"].never_chosen
    assert alone.weighted == reviews["lamp"].weighted
    with pytest.raises(UnknownNameError, match="'test_lamp'"):
        review_machine(bench_lamp, ["test_lmap"])
    assert Situation("no_light", tools=frozenset({"none"})).at_hand("test_lamp") is False


@pytest.mark.parametrize(
    ("faults", "items"),
    [
        ([("battery", "low"), ("battery", "flat")], 1),  # charging fixes both
        ([("battery", "low"), ("battery", "dead_cell")], 1),  # a new battery fixes both
        ([("battery", "flat"), ("start_relay", "coil_open")], 2),
        ([("start_button", "open")], 1),  # no repair in the file: the button is the item
        ([("start_button", "open"), ("lamp", "open"), ("battery", "low")], 3),
        ([], 0),
    ],
)
def test_repair_items(larkfield: Machine, faults: list[tuple[str, str]], items: int) -> None:
    assert repair_items(larkfield, faults) == items


def test_repairs_that_only_together_fix_a_part(bench_lamp: Machine) -> None:
    # the switch's one repair fixes both of its modes; take one away and it takes two items
    assert repair_items(bench_lamp, [("switch", "open"), ("switch", "stuck_closed")]) == 1
    switch = bench_lamp.parts["switch"]
    less = tuple(replace(repair, fixes=("open",)) for repair in switch.repairs)
    parts = {**bench_lamp.parts, "switch": replace(switch, repairs=less)}
    machine = replace(bench_lamp, parts=parts)
    assert repair_items(machine, [("switch", "open"), ("switch", "stuck_closed")]) == 2


def shipped_tables() -> Iterator[Review]:
    for name in machine_names():
        table = make_table(load_machine(name))
        tools = tuple(tool for tool in table.machine.tools if tool != "none")
        yield review_table(table, tools, set())


def test_every_shipped_machine_from_its_csv() -> None:
    # The figures again, from the CSV alone: pairs of faults compared test by test.
    for review in shipped_tables():
        rows = list(csv.DictReader(io.StringIO(review.to_csv())))
        machine = load_machine(review.machine)
        modes = sum(len(part.modes) - 1 for part in machine.parts.values())
        assert len(rows) == modes + 1
        assert {f"{t}.differs" for t in review.tests} <= rows[0].keys()
        good, faults = rows[0], rows[1:]
        total = sum(float(row["per_1000_jobs"]) for row in faults)
        found = [r for r in faults if any(r[t] != good[t] for t in review.tests)]
        mass = sum(float(row["per_1000_jobs"]) for row in found)
        assert review.weighted.detected == pytest.approx(mass / total)
        alone = 0.0
        for row in found:
            like = [o for o in faults if all(o[t] == row[t] for t in review.tests)]
            if repair_items(machine, [(o["part"], o["mode"]) for o in like]) == 1:
                alone += float(row["per_1000_jobs"])
        assert review.weighted.isolated[0] == pytest.approx(alone / mass)
        # common practice, no source: a set of tests that misses one fault in ten is no good; a
        # battery three quarters full starts the engine, so nothing has to find that
        at_three_quarters = [r for r in faults if r["fault"] == "charge.three_quarters"]
        harmless = sum(float(row["per_1000_jobs"]) for row in at_three_quarters if row not in found)
        assert mass / (total - harmless) >= 0.95
        assert review.weighted.isolated[2] >= 0.9


def test_a_review_is_plain_data(reviews: dict[str, Review]) -> None:
    for review in reviews.values():
        again = json.loads(json.dumps(review.to_dict(), allow_nan=False))
        assert again["weighted"]["detected"] == review.weighted.detected
        assert len(again["d_matrix"]) == len(review.d_matrix)
