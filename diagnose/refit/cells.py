"""From what people type into a cell to a value: numbers with commas and units, times, choices."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

FACTORS: Mapping[str, Mapping[str, float]] = {
    "min": {
        **dict.fromkeys(("min", "mins", "minute", "minutes", "m"), 1.0),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std"), 60.0),
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0 / 60.0),
    },
    "d": {
        **dict.fromkeys(("d", "day", "days"), 1.0),
        **dict.fromkeys(("week", "weeks", "w"), 7.0),
        **dict.fromkeys(("h", "hour", "hours"), 1.0 / 24.0),
    },
    "degC": dict.fromkeys(("c", "degc", "\N{DEGREE SIGN}c", "celsius"), 1.0),
    "1": {"%": 0.01},
}
"""Unit of a column -> units that people write, in small letters, with what one of them is worth."""

FAHRENHEIT = frozenset({"f", "degf", "\N{DEGREE SIGN}f", "fahrenheit"})

_CELL = re.compile(
    r"([+-]?[0-9][0-9.,'\u00a0 ]*|[+-]?[.,][0-9]+)([eE][+-]?[0-9]+)?\s*(.*)", re.DOTALL
)
_CLOCK = re.compile(r"([0-9]{1,3}):([0-5][0-9])")
_OFFSET = re.compile(r"(?:[zZ]|[+-][0-9]{2}:?[0-9]{2})$")
_ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?![0-9])")
_DOTTED = re.compile(
    r"([0-3]?[0-9])\.([01]?[0-9])\.([0-9]{4})"
    r"(?:[ T,]+([0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?))?"
)
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")

NO_NUMBER = "is no number"

YES = frozenset({"yes", "y", "true", "t", "1", "1.0", "x"})
NO = frozenset({"no", "n", "false", "f", "0", "0.0", "-"})

FIRST_YEAR, LAST_YEAR = 1980, 2100
"""A repair order is of a year between these."""


@dataclass(frozen=True, slots=True, eq=False)
class Parsed:
    """The cells of a column.

    Attributes:
        values: (rows,) what they say; missing where they are empty or bad.
        bad: (rows,) whether nothing can be made of them.
        put_right: (rows,) whether they were read as meant rather than as written.
        why: text of a bad cell -> what is wrong with it.
    """

    values: pd.Series[Any]
    bad: NDArray[np.bool_]
    put_right: NDArray[np.bool_]
    why: Mapping[str, str]


def parse_numbers(cells: pd.Series[Any], unit: str = "") -> Parsed:
    """Numbers, in the unit of their column."""
    plain = pd.to_numeric(cells, errors="coerce").astype(np.float64)
    plain = plain.where(np.isfinite(plain))
    odd = (plain.isna() & cells.notna()).to_numpy()
    comma = _commas_are_decimal(cells[odd].astype(str))
    values, bad, right, why = _each(cells, odd, lambda text: number_in(text, unit, comma=comma))
    return Parsed(plain.where(~odd, values.astype(np.float64)), bad, right, why)


def _commas_are_decimal(texts: pd.Series[Any]) -> bool:
    """Whether a comma stands before decimals in this column, as far as its other cells tell."""
    told = texts[texts.str.contains(",", regex=False)].unique()
    return any("." not in text and not _THOUSANDS.match(text) for text in told)


def number_in(text: str, unit: str, *, comma: bool = False) -> float:
    """The number that a cell holds, in a unit.

    Args:
        text: of the cell.
        unit: of the column; empty for none.
        comma: whether `1,234` is a little over one.

    Raises:
        ValueError: what is wrong with it, in words.
    """
    text = text.strip()
    clock = _CLOCK.fullmatch(text)
    if clock is not None and unit == "min":
        return 60.0 * float(clock[1]) + float(clock[2])
    found = _CELL.fullmatch(text)
    if found is None:
        raise ValueError(NO_NUMBER)
    named = found[3].strip().lower()
    number = _finite(_decimal(found[1].strip(), comma=comma) + (found[2] or ""))
    if unit == "degC" and named in FAHRENHEIT:
        return (number - 32.0) / 1.8
    known: Mapping[str, float] = {"": 1.0, **FACTORS.get(unit, {})}
    if named.rstrip(".") not in known:
        raise ValueError("is in a unit that is not known here")
    return number * known[named.rstrip(".")]


def _finite(digits: str) -> float:
    try:
        number = float(digits)
    except ValueError:
        raise ValueError(NO_NUMBER) from None
    if not np.isfinite(number):
        raise ValueError("is no finite number")
    return number


def _decimal(digits: str, *, comma: bool) -> str:
    """Digits with a decimal point.

    Raises:
        ValueError: a comma can mean either.
    """
    digits = re.sub(r"['\u00a0 ]", "", digits)
    if "," in digits and "." in digits:
        last = max(digits.rfind(","), digits.rfind("."))
        whole = re.sub(r"[.,]", "", digits[:last])
        return f"{whole}.{digits[last + 1 :]}"
    if digits.count(",") > 1:
        return digits.replace(",", "")
    if digits.count(".") > 1:
        return digits.replace(".", "")
    if _THOUSANDS.fullmatch(digits) and not comma:
        raise ValueError("may be thousands or decimals")
    return digits.replace(",", ".")


def parse_times(cells: pd.Series[Any], time_zone: str) -> Parsed:
    """Times with an offset; those without are taken as of a time zone.

    Args:
        cells: ISO 8601, or day, month and year with dots.
        time_zone: name of the shop's, e.g. `Europe/London`.
    """
    if isinstance(cells.dtype, pd.DatetimeTZDtype):
        none = np.zeros(len(cells), dtype=bool)
        return Parsed(cells.dt.tz_convert("UTC").astype("datetime64[us, UTC]"), none, none, {})
    if pd.api.types.is_datetime64_dtype(cells.dtype):
        local = cells.dt.tz_localize(time_zone, ambiguous=False, nonexistent="shift_forward")
        right = cells.notna().to_numpy()
        times = local.dt.tz_convert("UTC").astype("datetime64[us, UTC]")
        return Parsed(times, np.zeros(len(cells), dtype=bool), right, {})
    text = cells.astype("str").str.strip()
    offset = text.str.contains(_OFFSET, regex=True, na=False) & text.str.contains(":", na=False)
    with_offset = pd.to_datetime(text.where(offset), format="ISO8601", utc=True, errors="coerce")
    odd = (with_offset.isna() & cells.notna()).to_numpy()
    values, bad, right, why = _each(cells, odd, lambda said: time_in(said, time_zone))
    times = pd.to_datetime(values, utc=True, errors="coerce")
    merged = with_offset.where(~odd, times).astype("datetime64[us, UTC]")
    year = merged.dt.year
    far = ((year < FIRST_YEAR) | (year > LAST_YEAR)).fillna(value=False).to_numpy(dtype=bool)
    for strange in cells[far].astype(str).unique():
        why[strange] = f"lies outside {FIRST_YEAR} to {LAST_YEAR}"
    return Parsed(merged.where(~far), bad | far, right & ~far, why)


def time_in(text: str, time_zone: str) -> pd.Timestamp:
    """The time that a cell holds.

    Raises:
        ValueError: what is wrong with it, in words.
    """
    text = text.strip()
    dotted = _DOTTED.fullmatch(text)
    if dotted is not None:
        day, month, year, clock = dotted.groups()
        text = f"{year}-{int(month):02}-{int(day):02} {clock or '00:00'}"
    elif not _ISO.match(text):
        raise ValueError("is no time in ISO 8601")
    try:
        stamp = pd.Timestamp(text)
        if stamp.tzinfo is None:
            stamp = stamp.tz_localize(time_zone, ambiguous=False, nonexistent="shift_forward")
        return stamp.tz_convert("UTC")
    except (ValueError, OverflowError):
        raise ValueError("is no time that there is") from None


def parse_choices(
    cells: pd.Series[Any], valid: tuple[str, ...], mapped: Mapping[str, str]
) -> Parsed:
    """One of a few words each.

    Args:
        cells: texts.
        valid: the words.
        mapped: plain text, see `plain`, -> word, from the analyst's mapping.
    """
    texts = cells.astype("str").where(cells.notna())
    odd = (~texts.isin(valid) & texts.notna()).to_numpy()

    spelled = {plain(word): word for word in valid}
    if set(valid) == {"yes", "no"}:
        spelled |= dict.fromkeys(YES, "yes") | dict.fromkeys(NO, "no")

    def choose(text: str) -> str:
        word = mapped.get(plain(text)) or spelled.get(plain(text))
        if word not in valid:
            raise ValueError("is none of them")
        return word

    values, bad, right, why = _each(texts, odd, choose)
    return Parsed(texts.where(~odd, values), bad, right, why)


def plain(text: str) -> str:
    """A text without what two spellings of it differ by: capitals, blanks, dashes, full stops."""
    return re.sub(r"[\s_\-./]+", " ", text).strip().casefold()


def _each(
    cells: pd.Series[Any], odd: NDArray[np.bool_], read: Callable[[str], Any]
) -> tuple[pd.Series[Any], NDArray[np.bool_], NDArray[np.bool_], dict[str, str]]:
    """Read each different odd cell once.

    Returns:
        Values of the odd cells, which of the cells are bad, which were put right, and why.
    """
    fine, why = dict[str, Any](), dict[str, str]()
    for text in cells[odd].astype(str).unique():
        try:
            fine[text] = read(text)
        except ValueError as error:
            why[text] = str(error)
    texts = cells.astype("str").where(odd)
    values = texts.map(fine).astype(object)
    bad = odd & ~texts.isin(list(fine)).to_numpy()
    return values, bad, odd & ~bad, why
