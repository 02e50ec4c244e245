"""Numbers and names as they are shown."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.advice.explain import percent as in_whole_percent
from diagnose.ahead.look_further import FurtherLook, PossibleAction
from diagnose.commands.show import BAR_CELLS, bar
from diagnose.job import Job
from diagnose.paper.words import (
    count_words,
    fault_words,
    left_out_words,
    left_words,
    minutes_number,
    minutes_words,
    percent,
    reading_words,
    repair_of,
    result_words,
)


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (12.43, "V", "12.4 V"),
        (0.085, "V", "85 mV"),
        (0.0, "V", "0 V"),
        (-0.02, "V", "-20 mV"),
        (150.0, "A", "150 A"),
        (0.191, "V", "0.19 V"),
        (0.4, "ohm", "0.4 ohm"),
        (0.01, "ohm", "0.01 ohm"),
        (0.0004, "ohm", "0 ohm"),
        (4.68e-7, "V", "0 V"),
        (-0.003, "V", "0 V"),
        (0.005, "V", "5 mV"),
        (0.0201, "V", "20 mV"),
        (0.03, "A", "30 mA"),
        (4_700.0, "ohm", "4.7 kohm"),
        (2.2e6, "ohm", "2.2 Mohm"),
        (1e8, "ohm", "open"),
    ],
)
def test_a_reading_has_the_prefix_that_suits(value: float, unit: str, shown: str) -> None:
    """Prefixes as in the SI Brochure, 9th edition (2019), table 7.

    What is too small to mean anything is nothing, and leads are said in ohms: common practice, no
    source.
    """
    assert reading_words(value, unit) == shown


@pytest.mark.parametrize(
    ("probability", "shown"),
    [(0.0, "0.0 %"), (1e-9, "<0.1 %"), (0.25, "25.0 %"), (0.99999, ">99.9 %"), (1.0, "100.0 %")],
)
def test_a_chance_is_never_rounded_to_certainty(probability: float, shown: str) -> None:
    assert percent(probability) == shown


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [
        (0.3, "0.3"),
        (2.46, "2.5"),
        (5.0, "5"),
        (9.96, "10"),
        (37.4, "37"),
        (99.4, "99"),
        (101.0, "100"),
        (194.0, "190"),
    ],
)
def test_minutes_have_two_digits_that_count(minutes: float, shown: str) -> None:
    """More is not said at the bench: common practice, no source."""
    assert minutes_number(minutes) == shown
    assert minutes_words(minutes) == f"{shown} min"


@pytest.mark.parametrize(
    ("probability", "shown"),
    [
        (0.0, "under 1 %"),
        (0.014, "1 %"),
        (0.226, "23 %"),
        (0.9951, "over 99 %"),
        (1.0, "over 99 %"),
    ],
)
def test_a_chance_is_said_in_whole_percent(probability: float, shown: str) -> None:
    assert in_whole_percent(probability) == shown


@given(st.floats(0.01, 500), st.floats(0.01, 500))
def test_nine_in_ten_are_never_under_less_than_the_mean(mean: float, p90: float) -> None:
    """What is said of the ninetieth percentile lies above what is said of the mean, or is not."""
    action = PossibleAction("escalate", "", mean, 0.0)
    shown = left_words(FurtherLook(mean, 0.0, p90, 0.0, (action,), action, (), 1, 0.0))
    figures = [float(figure) for figure in re.findall(r"[\d.]+(?= min| *\)$)", shown)]
    assert shown.startswith("about ")
    assert figures[0] == pytest.approx(mean, rel=0.06, abs=0.06)
    if len(figures) == 2:
        assert figures[1] > figures[0]
    else:
        assert "90 %" not in shown
        assert p90 <= mean * 1.06 + 0.1


@pytest.mark.parametrize(
    ("mass", "shown"),
    [
        (0.0, ""),
        (0.005, ""),
        (0.0051, "0.5 % of what could be wrong was not looked at."),
        (0.012, "1.2 % of what could be wrong was not looked at."),
    ],
)
def test_what_was_left_out_is_spoken_of_above_half_a_percent(mass: float, shown: str) -> None:
    """The limit is the project's own."""
    assert left_out_words(mass) == shown


@pytest.mark.parametrize(("count", "shown"), [(0, "0 tests"), (1, "1 test"), (2, "2 tests")])
def test_a_count_has_its_plural(count: int, shown: str) -> None:
    assert count_words(count, "test") == shown


@given(st.floats(0, 1), st.floats(0, 1))
def test_bars_are_of_one_length_and_grow(one: float, other: float) -> None:
    def filled(text: str) -> tuple[int, int]:
        tail = text.replace("█", "").strip()
        return text.count("█"), " ▏▎▍▌▋▊▉".index(tail) if tail else 0

    assert len(bar(one)) == len(bar(other)) == BAR_CELLS
    low, high = sorted((one, other))
    assert filled(bar(low)) <= filled(bar(high))


def test_names_in_words(cart: str) -> None:
    job = Job.open(cart, "silent").record("battery_rest", 12.6)
    machine = job.machine
    assert fault_words(machine, "main_fuse", "open") == "Main fuse: blown"
    assert "does not list" in fault_words(machine, "unlisted", "silent")
    assert result_words(machine, job.advise().findings[0]).startswith("12.6 V (")
    part = next(part for part in machine.parts.values() if part.repairs)
    assert repair_of(machine, f"{part.id}.{part.repairs[0].id}") == (part.id, part.repairs[0])
    assert repair_of(machine, part.id) is None
    assert repair_of(machine, "nobody.replace") is None
