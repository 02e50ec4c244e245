"""Priors files to take: of the barn cart, and of any machine, with something of everything."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.machine.load import load_machine
from diagnose.machine.overlay import Bin, Group, Judged, Overlay, Rate, Score
from diagnose.machine.overlay_file import overlay_text
from tests.commands.carts import CART

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


def cart_priors(flat_per_1000: float = 40.0) -> str:
    """The file of priors with one rate of the barn cart."""
    rate = Rate(flat_per_1000, flat_per_1000 / 2.0, flat_per_1000 * 2.0, 6.25, 0.7)
    machine = load_machine(str(CART))
    made = Overlay(machine.id, machine.version, machine.content_hash)
    return overlay_text(replace(made, rates={("battery", "flat"): rate}))


def learnt_priors(machine: Machine) -> str:
    """A file of priors: rates of every mode, learnt from many orders or hardly, judged."""
    rates: dict[tuple[str, str], Rate] = {}
    parts = machine.parts.values()
    modes = [(part.id, mode) for part in parts for mode in list(part.modes.values())[1:]]
    for number, (owner, mode) in enumerate(modes):
        times, wide, learnt = TIMES[number % len(TIMES)]
        figure = mode.per_1000_jobs * times
        rate = Rate(figure, figure / wide, figure * wide, 3.0 * learnt, learnt)
        rates[owner, mode.id] = rate
    first, second, third = list(rates)[:3]
    both = (".".join(second), ".".join(third))
    cause = next(iter(machine.shared_causes.values()), None)
    return overlay_text(
        Overlay(
            machine.id,
            machine.version,
            machine.content_hash,
            window_from="2024-10-01",
            window_to="2026-04-30",
            orders=512,
            rates=rates,
            causes={} if cause is None else {cause.id: Rate(30.0, 20.0, 45.0, 9.0, 0.8)},
            unlisted={name: Rate(9.0, 4.0, 19.0, 1.0, 0.2) for name in machine.complaints},
            words_fit_percent=dict.fromkeys(machine.complaints, 88.0),
            slip_percent={"look": 2.5},
            minutes={("test", next(iter(machine.tests))): 3.5},
            new_part_bad_per_1000=7.0,
            not_identified=(Group(both, rates[first]),),
            judged=JUDGED,
        )
    )


TIMES = ((2.0, 1.3, 0.9), (0.6, 1.6, 0.75), (1.1, 3.0, 0.2), (1.0, 4.0, 0.05))
"""Learnt rates over shipped ones, how wide their intervals are, and how far they are learnt."""

JUDGED = Judged(
    "adopt",
    "The new priors forecast later orders better: +0.121 (standard error 0.031) in log score on "
    "128 later orders.",
    (
        Score("log score of an order, nats", -3.25, -3.129),
        Score("cause came first", 0.41, 0.47),
        Score("cause among the first three", 0.7, 0.76),
        Score("calibration error", 0.031, 0.024),
        Score("the same by chance alone", 0.02, 0.021),
    ),
    (
        Bin(0.03, 0.028, 0.01, 0.05, 160),
        Bin(0.07, 0.081, 0.04, 0.1, 151),
        Bin(0.14, 0.12, 0.09, 0.19, 122),
        Bin(0.31, 0.36, 0.22, 0.4, 70),
        Bin(0.72, 0.69, 0.6, 0.84, 52),
    ),
)
