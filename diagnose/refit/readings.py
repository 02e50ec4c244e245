"""Outcomes and readings of tests: in the unit of their test, or what is wrong with them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.errors import DiagnoseError
from diagnose.faults.readings import parse_reading
from diagnose.machine.model import OPEN_OHMS
from diagnose.refit.cells import number_in, plain
from diagnose.refit.notes import PUT_RIGHT, REFUSED, SET_ASIDE, Remark
from diagnose.refit.wording import NOTHING, mapped_words, rows_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Test
    from diagnose.refit.notes import Notes
    from diagnose.refit.wording import Finder, Wording

    Mask = NDArray[np.bool_]
    Rows = NDArray[np.int64]

OVERLOAD = frozenset({"ol", "o l", "0l", "inf", "infinite", "\N{INFINITY}", "over"})
"""What an ohmmeter shows over an open circuit; common practice, no source."""

_WITH_UNIT = re.compile(r"([+-]?[0-9.,' \u00a0]*[0-9])\s*([a-zA-Z\N{OHM SIGN}\u03a9]{1,6})")


def split_units(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells like `12,4 V` as a number and its unit, `OL` as an open circuit's ohms.

    Args:
        frame: the steps as text, before their numbers are read.
    """
    cells = frame["reading"]
    if pd.api.types.is_numeric_dtype(cells.dtype):
        return frame
    made: dict[str, tuple[str, str | None]] = {}
    for text in cells.dropna().astype(str).unique():
        found = _WITH_UNIT.fullmatch(text.strip())
        if plain(text) in OVERLOAD:
            made[text] = (f"{OPEN_OHMS:g}", "ohm")
        elif found is not None:
            made[text] = (found[1], found[2])
    if not made:
        return frame
    texts = cells.astype("str")
    hit = texts.isin(list(made)).to_numpy()
    unit = frame["unit"].astype("str")
    unit = unit.where(unit.notna() & (unit.str.strip() != ""))
    units = texts.where(hit).map({text: unit for text, (_, unit) in made.items()})
    numbers = texts.where(hit).map({text: number for text, (number, _) in made.items()})
    return frame.assign(
        reading=texts.where(~hit, numbers.astype("str")),
        unit=unit.where(unit.notna() | ~hit, units.astype("str")),
    )


def check_readings(
    frame: pd.DataFrame, notes: Notes, machine: Machine, wording: Wording, where: Mask
) -> None:
    """Outcomes by id and readings in their test's unit; a finding with neither is refused.

    Args:
        frame: the steps; changed in place.
        notes: takes the remarks.
        machine: whose steps they are.
        wording: the analyst's mapping.
        where: (rows,) findings and second looks of that machine.
    """
    odd = where & ~notes.refused & _odd(frame, machine)
    for name, rows in rows_of(frame["test"], odd):
        test = machine.tests[name]
        if test.unit is not None:
            _numbers_as_outcomes(frame, notes, test, rows)
            _in_unit(frame, notes, test, wording, rows)
            _in_range(frame, notes, test, rows)
        else:
            _no_numbers(frame, notes, rows)
        titles = {outcome.id: outcome.title for outcome in test.outcomes}
        find = wording.finder("outcome", machine.id, titles)
        _outcomes(frame, notes, test, find, rows)
    bare = frame["outcome"].isna().to_numpy() & frame["reading"].isna().to_numpy()
    remark = Remark("neither outcome nor reading", "a finding says nothing without one", REFUSED)
    notes.say(where & ~notes.refused & bare, "outcome", "", remark)


def _odd(frame: pd.DataFrame, machine: Machine) -> Mask:
    """(rows,) whether a finding has anything but an outcome of its test and a reading in its unit.

    Nearly all rows are as they should be; only the others are looked at test by test.
    """
    tests = machine.tests.values()
    outcomes = [f"{test.id}\0{outcome.id}" for test in tests for outcome in test.outcomes]
    said = frame["test"] + "\0" + frame["outcome"]
    units = [f"{test.id}\0{test.unit}" for test in tests if test.unit]
    read, unit = frame["reading"], frame["test"] + "\0" + frame["unit"]
    low = frame["test"].map({test.id: test.low for test in tests})
    high = frame["test"].map({test.id: test.high for test in tests})
    far = (read < low) | (read > high)
    odd = (said.notna() & ~said.isin(outcomes)) | (read.notna() & (~unit.isin(units) | far))
    return odd.to_numpy(dtype=bool)


def _numbers_as_outcomes(frame: pd.DataFrame, notes: Notes, test: Test, rows: Rows) -> None:
    """Readings that stand in the column of outcomes."""
    known = {outcome.id for outcome in test.outcomes}
    empty = rows[frame["reading"].iloc[rows].isna().to_numpy()]
    for text, own in rows_of(frame["outcome"], empty):
        if text in known:
            continue
        found = _WITH_UNIT.fullmatch(text)
        try:
            number = number_in(found[1] if found else text, "")
            value = parse_reading(test, f"{number!r} {found[2] if found else ''}".strip())
        except (ValueError, DiagnoseError):
            continue
        remark = Remark("a reading in the column of outcomes", "nothing", PUT_RIGHT)
        notes.say(own, "outcome", text, remark)
        frame.loc[own, "reading"] = value
        frame.loc[own, "unit"] = test.unit
        frame.loc[own, "outcome"] = np.nan


def _no_numbers(frame: pd.DataFrame, notes: Notes, rows: Rows) -> None:
    read = rows[frame["reading"].iloc[rows].notna().to_numpy()]
    remark = Remark("a number where the test gives none", "give the outcome", SET_ASIDE)
    notes.say(read, "reading", frame["reading"], remark)
    if len(read):
        frame.loc[read, "reading"] = np.nan


def _in_unit(frame: pd.DataFrame, notes: Notes, test: Test, wording: Wording, rows: Rows) -> None:
    """Readings in the unit of their test; one without a unit is taken to be in it."""
    read = rows[frame["reading"].iloc[rows].notna().to_numpy()]
    units, wanted = wording.of("unit"), str(test.unit)
    for text, own in rows_of(frame["unit"], read):
        if text == wanted:
            continue
        try:
            factor = parse_reading(test, f"1 {units.get(plain(text), text)}")
        except DiagnoseError:
            remedy = mapped_words("unit", "", text, (wanted,))
            remark = Remark(f"no unit of a reading in {wanted}", remedy, SET_ASIDE)
            notes.say(own, "unit", text, remark)
            frame.loc[own, "reading"] = np.nan
            continue
        remark = Remark(f"a reading in another unit than {wanted}", "nothing", PUT_RIGHT)
        notes.say(own, "unit", text, remark)
        frame.loc[own, "reading"] *= factor
        frame.loc[own, "unit"] = wanted
    bare = read[frame["unit"].iloc[read].isna().to_numpy()]
    if len(bare):
        frame.loc[bare, "unit"] = wanted


def _in_range(frame: pd.DataFrame, notes: Notes, test: Test, rows: Rows) -> None:
    values = frame["reading"].to_numpy(dtype=np.float64)[rows]
    high = OPEN_OHMS if test.kind == "ohms" else test.high
    far = (values < test.low) | (values > high)
    if not far.any():
        return
    milli = far & (values * 1e-3 >= test.low) & (values * 1e-3 <= test.high)
    limits = f"expected {test.low:g} to {test.high:g} {test.unit}"
    for mask, hint in ((milli, f"; where it is in m{test.unit}, say so in `unit`"),
                       (far & ~milli, "")):  # fmt: skip
        remark = Remark("no meter shows this here", f"{limits}{hint}", SET_ASIDE)
        notes.say(rows[mask], "reading", frame["reading"], remark)
    frame.loc[rows[far], "reading"] = np.nan


def _outcomes(frame: pd.DataFrame, notes: Notes, test: Test, find: Finder, rows: Rows) -> None:
    known = {outcome.id for outcome in test.outcomes}
    for text, own in rows_of(frame["outcome"], rows):
        if text in known:
            continue
        said = f"{test.id}: {text}"  # words mean one thing at one test
        name = find.find(said) or find.find(text)
        if name in known:
            notes.say(own, "outcome", text, Remark("shop's own words", "nothing", PUT_RIGHT))
            frame.loc[own, "outcome"] = name
            continue
        remark = Remark("words without a meaning, by the mapping", "nothing", SET_ASIDE)
        if name != NOTHING:
            remedy = mapped_words("outcome", find.machine, said, find.miss(said, len(own)))
            remark = Remark(f"no outcome of {test.id}", remedy, SET_ASIDE)
        notes.say(own, "outcome", text, remark)
        frame.loc[own, "outcome"] = np.nan
