"""The barn cart, read but not solved: steps need what it has, not what it does."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import strategies as st

from diagnose.job import Job
from diagnose.machine.load import load_machine
from diagnose.rule.prepared import Prepared
from diagnose.steps import kinds
from diagnose.steps.opening import Opening

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.steps.kinds import AnyStep

CART = Path(__file__).parents[1] / "machine" / "larkfield.yaml"
OPENING = Opening(machine="barn_cart", complaint="silent")


@cache
def cart() -> Machine:
    return load_machine(CART)


@cache
def bare() -> Prepared:
    """Made ready for everything but advice."""
    return Prepared(cart(), None, None, {}, {}, {})  # type: ignore[arg-type]


def cart_job() -> Job:
    return Job.open(bare(), "silent")


def told_steps() -> st.SearchStrategy[AnyStep]:
    """Steps that the cart may take, and some that it does not: a test not found yet, and so on."""
    machine = cart()
    tests = st.sampled_from(list(machine.tests.values()))
    results = tests.flatmap(
        lambda test: st.tuples(
            st.just(test.id), st.sampled_from([outcome.id for outcome in test.outcomes])
        )
    )
    measured = st.sampled_from([test for test in machine.tests.values() if test.unit is not None])
    readings = measured.flatmap(
        lambda test: st.tuples(
            st.just(test.id),
            st.floats(test.low, test.high),
            st.sampled_from([None, test.unit]),
        )
    )
    areas = st.sampled_from(list(machine.areas))
    repairs = st.sampled_from(
        [(part.id, repair.id) for part in machine.parts.values() for repair in part.repairs]
    )
    checks = st.sampled_from(["runs", "same", "other", *machine.complaints])
    tools = st.lists(st.sampled_from(list(machine.tools)), max_size=3, unique=True).map(tuple)
    names = st.sampled_from(list(machine.tests))
    sure = st.sampled_from([1.0, 0.7])
    return st.one_of(
        st.builds(
            lambda found, sure: kinds.Found(test=found[0], outcome=found[1], sure=sure),
            results,
            sure,
        ),
        st.builds(
            lambda read, sure: kinds.Found(test=read[0], reading=read[1], unit=read[2], sure=sure),
            readings,
            sure,
        ),
        results.map(lambda found: kinds.LookedAgain(test=found[0], outcome=found[1])),
        readings.map(lambda read: kinds.LookedAgain(test=read[0], reading=read[1], unit=read[2])),
        names.map(lambda name: kinds.Withdrawn(test=name)),
        names.map(lambda name: kinds.SetAside(test=name, note="no room")),
        areas.map(lambda area: kinds.AreaOpened(area=area)),
        areas.map(lambda area: kinds.AreaClosed(area=area)),
        tools.map(lambda named: kinds.Tools(tools=named)),
        st.builds(
            lambda done, shown: kinds.Repaired(part=done[0], repair=done[1], shown=shown),
            repairs,
            st.none() | checks,
        ),
        checks.map(lambda shown: kinds.Tried(shown=shown)),
        st.sampled_from(list(machine.complaints)).map(lambda name: kinds.Told(complaint=name)),
        st.just(kinds.HandedOver(note="its controller")),
        st.just(kinds.Reopened()),
        st.just(kinds.Undone()),
    )
