"""What people type into cells."""

from __future__ import annotations

import contextlib

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.refit.cells import (
    number_in,
    parse_choices,
    parse_numbers,
    parse_times,
    plain,
    time_in,
)

NUMBERS = [
    ("12.4", "", 12.4),
    (" 12,4 ", "", 12.4),
    ("-0,5", "", -0.5),
    ("1.234,5", "", 1234.5),
    ("1,234.5", "", 1234.5),
    ("1'234.5", "", 1234.5),
    ("1 234,5", "", 1234.5),
    ("1,234,567", "", 1_234_567.0),
    ("0,125", "", 0.125),
    ("4e3", "", 4000.0),
    (".5", "", 0.5),
    ("45 min", "min", 45.0),
    ("1,5 h", "min", 90.0),
    ("0:45", "min", 45.0),
    ("1:05", "min", 65.0),
    ("90 sec.", "min", 1.5),
    ("2 weeks", "d", 14.0),
    ("68 F", "degC", 20.0),
    ("-3 °C", "degC", -3.0),
    ("70 %", "1", 0.7),
]


@pytest.mark.parametrize(("text", "unit", "value"), NUMBERS)
def test_numbers_are_read_as_meant(text: str, unit: str, value: float) -> None:
    assert number_in(text, unit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("n/a", "", "is no number"),
        ("12-14", "", "unit"),
        ("1,234", "", "thousands or decimals"),
        ("1e999", "", "no finite"),
        ("nan", "", "is no number"),
        ("5 miles", "min", "unit"),
        ("3 V", "", "unit"),
        ("", "", "is no number"),
        ("--4", "", "is no number"),
    ],
)
def test_what_is_no_number_says_why(text: str, unit: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        number_in(text, unit)


def test_a_column_tells_what_its_commas_are() -> None:
    alone = parse_numbers(pd.Series(["1,234", "7"], dtype="str"))
    assert alone.bad.tolist() == [True, False]
    decimals = parse_numbers(pd.Series(["1,234", "7", "0,8"], dtype="str"))
    assert decimals.values.tolist() == [1.234, 7.0, 0.8]
    assert decimals.put_right.tolist() == [True, False, True]


@given(st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: round(x, 4)))
def test_a_decimal_comma_changes_no_number(value: float) -> None:
    text = f"{value:.4f}"
    assert number_in(text.replace(".", ","), "", comma=True) == pytest.approx(value, abs=1e-9)
    assert number_in(text, "") == pytest.approx(value, abs=1e-9)


@given(st.text(max_size=30))
def test_no_text_is_read_as_anything_but_a_finite_number(text: str) -> None:
    for unit in ("", "min", "degC"):
        with contextlib.suppress(ValueError):
            assert np.isfinite(number_in(text, unit))


@given(st.lists(st.one_of(st.text(max_size=12), st.none()), max_size=8))
def test_every_cell_is_read_or_bad_or_empty(cells: list[str | None]) -> None:
    column = pd.Series(cells, dtype="str")
    for parsed in (
        parse_numbers(column),
        parse_times(column, "UTC"),
        parse_choices(column, ("yes", "no"), {}),
    ):
        read = parsed.values.notna().to_numpy()
        assert (read | parsed.bad | column.isna().to_numpy()).all()
        assert not (read & parsed.bad).any()
        assert not (parsed.put_right & parsed.bad).any()
        assert {str(text) for text in column[parsed.bad]} <= set(parsed.why)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2025-01-07T08:00:00+01:00", "2025-01-07 07:00"),
        ("2025-01-07 07:00Z", "2025-01-07 07:00"),
        ("2025-01-07T08:00", "2025-01-07 07:00"),
        ("2025-07-07T08:00", "2025-07-07 06:00"),
        ("07.01.2025 08:00", "2025-01-07 07:00"),
        ("7.1.2025", "2025-01-06 23:00"),
    ],
)
def test_times_are_brought_to_one_clock(text: str, utc: str) -> None:
    """A zone an hour before UTC, two in summer; the zone's rules are those of the tz database."""
    assert time_in(text, "Etc/GMT-1") == pd.Timestamp(utc, tz="UTC") + pd.Timedelta(
        hours=1 if text.startswith("2025-07") else 0
    )
    assert time_in(text, "Europe/Berlin") == pd.Timestamp(utc, tz="UTC")


@pytest.mark.parametrize(
    "text", ["01/02/2025", "2025-13-01", "30.02.2025", "yesterday", "20250107"]
)
def test_what_is_no_time_says_so(text: str) -> None:
    with pytest.raises(ValueError, match="is no time"):
        time_in(text, "UTC")


def test_years_nobody_repaired_in_are_bad() -> None:
    column = pd.Series(["0025-01-07T08:00:00Z", "2925-01-07T08:00:00Z", "2025-01-07T08:00:00Z"])
    assert parse_times(column.astype("str"), "UTC").bad.tolist() == [True, True, False]


def test_choices_in_any_spelling_or_by_the_mapping() -> None:
    column = pd.Series(["Handed over", "runs", "LAEUFT", "what"], dtype="str")
    parsed = parse_choices(column, ("runs", "handed_over"), {"laeuft": "runs"})
    assert parsed.values.tolist()[:3] == ["handed_over", "runs", "runs"]
    assert parsed.bad.tolist() == [False, False, False, True]
    yes = parse_choices(pd.Series(["Y", "true", "0", "x"], dtype="str"), ("yes", "no"), {})
    assert yes.values.tolist() == ["yes", "yes", "no", "yes"]


def test_spellings_differ_by_nothing_that_counts() -> None:
    assert plain(" Battery-Rest. ") == plain("battery_rest") == "battery rest"
