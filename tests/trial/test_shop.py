"""Machines in the shop: what they show, what repairs do to them, what it costs, by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from diagnose.job import prepare
from diagnose.machine.load import load_machine
from diagnose.trial.shop import Shop, Truth
from tests.commands.carts import CART

NAME = "utility_vehicle"


@cache
def cart() -> Shop:
    return Shop(prepare(CART), "silent")


@cache
def turning_cart() -> Shop:
    """The cart, whose file says that it works when the starter turns the engine."""
    machine = replace(load_machine(CART), works={"cranks": ("normal",)}, content_hash="turning")
    return Shop(prepare(machine), "silent")


def faults(*names: tuple[str, str]) -> tuple[int, ...]:
    return tuple(sorted(prepare(CART).faults.index(name) for name in names))


def number_of(name: str) -> int:
    return prepare(CART).costs.tests.names.index(name)


def repair(name: str) -> int:
    return prepare(CART).costs.repairs.names.index(name)


def outcome(name: str, number: int) -> str:
    return prepare(CART).machine.tests[name].outcomes[number].id


def shares(truth: Truth, name: str, draws: int = 4000) -> dict[str, float]:
    drawn = [cart().answer(truth, number_of(name), (n + 0.5) / draws) for n in range(draws)]
    return {outcome(name, o): drawn.count(o) / draws for o in sorted(set(drawn))}


def slip_of(name: str) -> tuple[float, int]:
    """Share of the results written down wrong, and the outcomes they are spread over."""
    known = prepare(CART).machine.tests[name]
    return known.slip_percent / 100.0, len(known.outcomes)


def test_what_the_circuit_says_is_what_is_seen_but_for_slips() -> None:
    # By hand: behind an open fuse a lamp is dark, with all well it is bright; what is written down
    # wrong is spread evenly over the outcomes.
    slip, n = slip_of("fuse_lamp")
    for truth, seen in (
        (Truth(faults(("main_fuse", "open")), 0), "dark"),
        (Truth((), 0), "bright"),
    ):
        found = shares(truth, "fuse_lamp")
        assert found.pop(seen) == pytest.approx(1.0 - slip + slip / n, abs=1e-3)
        assert list(found.values()) == pytest.approx([slip / n] * (n - 1), abs=1e-3)


def test_a_nest_is_found_when_it_is_there() -> None:
    # 0.85 of the time, an estimate of the project; the rest are slips.
    slip, n = slip_of("see_nest")
    there, not_there = (shares(Truth((), bits), "see_nest")["found"] for bits in (1, 0))
    assert there == pytest.approx((1.0 - slip) * 0.85 + slip / n, abs=1e-3)
    assert not_there == pytest.approx(slip / n, abs=1e-3)


def test_a_repair_takes_what_it_fixes_and_may_bring_a_bad_part() -> None:
    # `new_part_bad_per_1000` is 5, shared out by the file's rates: battery 180 : 120 : 15.
    both = Truth(faults(("battery", "flat"), ("main_fuse", "open")), 0)
    charged = cart().mend(both, repair("battery.charge"), 0.0)
    assert charged.faults == faults(("main_fuse", "open"))
    draws = 5_000
    after = [cart().mend(both, repair("battery.replace"), (n + 0.5) / draws) for n in range(draws)]
    left = faults(("main_fuse", "open"))
    assert sum(one.faults == left for one in after) == pytest.approx(0.995 * draws, abs=2)
    for mode, rate in (("low", 180), ("flat", 120), ("dead_cell", 15)):
        bad = faults(("battery", mode), ("main_fuse", "open"))
        count = sum(one.faults == bad for one in after)
        assert count == pytest.approx(0.005 * rate / 315 * draws, abs=2)
    assert all(one.causes == both.causes for one in after)


def test_the_check_is_mistaken_five_times_in_a_thousand() -> None:
    # The slips fall evenly on what it can show: it runs, silent, turns slowly, something else.
    dead, good = Truth(faults(("main_fuse", "open")), 0), Truth((), 0)
    slow = Truth(faults(("battery", "low"), ("starter_motor", "worn")), 0)
    for truth, result in ((good, 0), (dead, 1), (slow, 2)):
        wanted = [0.995 * (place == result) + 0.00125 for place in range(4)]
        assert cart().checks(truth).tolist() == pytest.approx(wanted, abs=1e-9)


def test_prices_are_the_machine_s_by_hand() -> None:
    # 60 minutes times price over the labour rate (EUR per hour).
    machine = prepare(CART).machine
    for part in machine.parts.values():
        for one in part.repairs:
            wanted = 60.0 * one.price_eur / machine.shop.labour_eur_per_hour
            found = cart().price_minutes(repair(f"{part.id}.{one.id}"))
            assert found == pytest.approx(wanted)


def test_a_good_part_thrown_away_is_one_without_a_fault() -> None:
    truth = Truth(faults(("start_relay", "coil_open")), 0)
    assert not cart().wastes(truth, repair("start_relay.replace"))
    assert cart().wastes(truth, repair("battery.replace"))
    assert not cart().wastes(truth, repair("battery.charge"))  # no new part


def test_a_fuse_is_no_good_part_thrown_away() -> None:
    # Common practice, no source: a fuse is fitted to find out whether it blows again. Nor is a
    # fuse good that a short has blown, with a part behind it shorted.
    ready = prepare(NAME)
    shop, costs = Shop(ready, "silent"), ready.costs
    short = ready.faults.index(("trigger_wire", "shorted"))
    for row, name in enumerate(costs.repairs.names):
        kind = ready.machine.parts[name.partition(".")[0]].kind
        new = name.endswith(".replace") and kind != "fuse"
        for truth in (Truth((), 0), Truth((short,), 0)):
            own = any(ready.faults[f][0] == name.partition(".")[0] for f in truth.faults)
            assert shop.wastes(truth, row) == (new and not own), name


def test_what_one_would_need_knowing_by_hand() -> None:
    # A new fuse under the seat: 2 + 3 to open and close it, 3, 60 * 1 / 78, a check of 2; with an
    # open relay coil as well, a new relay: 20, 60 * 32 / 78 and another check.
    fuse = 2.0 + 3.0 + 3.0 + 60.0 / 78.0 + 2.0
    relay = 20.0 + 60.0 * 32.0 / 78.0 + 2.0
    one, other = ("main_fuse", "open"), ("start_relay", "coil_open")
    assert cart().known_minutes(Truth(faults(one), 0)) == pytest.approx(fuse)
    assert cart().known_minutes(Truth(faults(one, other), 0)) == pytest.approx(fuse + relay)
    plug = [Truth(faults(("relay_plug", "loose")), 0, manner) for manner in (1, 2, 3)]
    assert len({cart().known_minutes(truth) for truth in plug}) == 1  # by chance it may touch
    assert cart().known_minutes(plug[1]) > 0.0
    # with a flat battery besides it is not done yet where the file says what a cart does that
    # works: the tray is opened for 1 + 1, charging takes 30 and a check
    flat = Truth(faults(one, ("battery", "flat")), 0)
    assert turning_cart().known_minutes(flat) == pytest.approx(fuse + 2.0 + 30.0 + 2.0)
    assert cart().known_minutes(Truth(faults(("unlisted", "silent")), 0)) == 180.0


def test_handing_over_pays_parts_and_labour_by_hand() -> None:
    # 180 minutes, and on top the cheapest repair of each fault that keeps it from running, with
    # everything opened for each: the fuse 5 + 3 + 60 / 78 + 2 minutes, the relay 20 + 60 * 32 / 78
    # + 2. A key switch that the file has no repair for, and what it does not list, cost 180 alone;
    # a lamp that does not light keeps nobody waiting.
    fuse = 5.0 + 3.0 + 60.0 / 78.0 + 2.0
    relay = 20.0 + 60.0 * 32.0 / 78.0 + 2.0
    one, other = ("main_fuse", "open"), ("start_relay", "coil_open")
    for names, wanted in (
        ((one,), fuse),
        ((one, other), fuse + relay),
        ((one, ("lamp", "open")), fuse),
        ((("key_switch", "open"),), 0.0),
        ((("unlisted", "silent"),), 0.0),
    ):
        found = cart().handed_over(Truth(faults(*names), 0))
        assert found == pytest.approx(180.0 + wanted), names
