"""An overlay of the barn cart, and what it does."""

from __future__ import annotations

import pytest

from diagnose.machine.overlay import Group, Overlay, Rate
from diagnose.refit.report import Report, make_report
from tests.refit.rows import MACHINE, order, read, steps

RATES = {
    ("relay_plug", "open"): Rate(60.0, 40.0, 90.0, 9.0, 0.9),
    ("battery", "flat"): Rate(30.0, 15.0, 60.0, 4.0, 0.8),
    ("lamp", "open"): Rate(6.0, 1.0, 20.0, 1.5, 0.1),
}


@pytest.fixture(scope="session")
def overlay() -> Overlay:
    return Overlay(
        MACHINE.id,
        MACHINE.version,
        MACHINE.content_hash,
        window_from="2024-10-01",
        window_to="2026-04-30",
        orders=240,
        rates=RATES,
        causes={"rodent_nest": Rate(55.0, 30.0, 80.0, 5.0, 0.6)},
        unlisted={"silent": Rate(9.0, 4.0, 20.0, 2.0, 0.3)},
        not_identified=(
            Group(("battery.low", "battery.flat"), Rate(70.0, 50.0, 95.0, 8.0, 0.9)),
            Group(("key_switch.open", "start_button.open"), Rate(20.0, 11.0, 30.0, 5.0, 0.8)),
        ),
    )


@pytest.fixture(scope="session")
def report(overlay: Overlay) -> Report:
    """A report with everything in it, `<b>` among the texts."""
    orders = [
        order(f"A{k}", closed_at=f"2025-{k + 1:02d}-08T12:00:00Z", ended=ended)
        for k, ended in enumerate(("runs", "handed_over", "given_up", "no_fault_found"))
    ]
    tables = read([*orders, order("B", cause_part="<b>rust</b>", cause_mode="")], steps("A0"))
    notes = ("Set aside: 2 orders (<b>).",)
    return make_report(
        MACHINE, overlay, tables=tables, verdict=("keep", "Too few orders."), notes=notes, jobs=6
    )
