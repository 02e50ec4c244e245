"""The table `steps`: which rows can be used, and what was wrong with the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.machine.model import OTHER, RUNS, SAME
from diagnose.refit.notes import NOTED, PUT_RIGHT, REFUSED, SET_ASIDE, Remark
from diagnose.refit.readings import check_readings
from diagnose.refit.wording import NOTHING, mapped_words, rows_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.refit.notes import Notes
    from diagnose.refit.wording import Finder, Wording

    Mask = NDArray[np.bool_]
    Rows = NDArray[np.int64]

NEEDS: Mapping[str, tuple[str, ...]] = {
    "told": ("outcome",),
    "finding": ("test",),
    "looked_again": ("test",),
    "withdrawn": ("test",),
    "set_aside": ("test",),
    "area_opened": ("area",),
    "area_closed": ("area",),
    "repaired": ("part", "repair"),
    "tried": ("result",),
}
"""Kind of step -> columns that it says nothing without."""

FOUND = ("finding", "looked_again")
TESTED = (*FOUND, "withdrawn", "set_aside")


def check_steps(
    frame: pd.DataFrame,
    notes: Notes,
    machine_of: pd.Series[str],
    refused_orders: frozenset[str],
    machines: Mapping[str, Machine],
    wording: Wording,
) -> Mask:
    """Look through all steps; cells that cannot be used are emptied in place.

    Args:
        frame: the steps, as `read_columns` gives them.
        notes: takes the remarks.
        machine_of: id of a usable order, or one of another machine -> its machine.
        refused_orders: ids of orders that cannot be used.
        machines: those that are asked for.
        wording: the analyst's mapping.

    Returns:
        (rows,) whether a step is of an order of another machine.
    """
    machine = frame["order_id"].map(machine_of)
    _orders(frame, notes, machine, refused_orders)
    others = (machine.notna() & ~machine.isin(list(machines))).to_numpy(dtype=bool)
    _doubles(frame, notes)
    _jobs(frame, notes, ~others)
    for kind, columns in NEEDS.items():
        of_kind = (frame["kind"] == kind).to_numpy(dtype=bool) & ~others
        for column in columns:
            empty = of_kind & frame[column].isna().to_numpy()
            remark = Remark("is empty", f"a step '{kind}' says nothing without it", REFUSED)
            notes.say(empty, column, "", remark)
    for name, known in machines.items():
        own = (machine == name).to_numpy(dtype=bool) & ~notes.refused
        _names(frame, notes, known, wording, own)
    _after_unread_repairs(frame, notes, ~others)
    _checks(frame, notes, ~others)
    return others


def _orders(
    frame: pd.DataFrame, notes: Notes, machine: pd.Series[str], refused: frozenset[str]
) -> None:
    ids = frame["order_id"]
    out = ids.isin(refused).to_numpy()
    remark = Remark("its order cannot be used", "see the remarks on the orders", REFUSED)
    notes.say(out, "order_id", ids, remark)
    lost = (ids.notna() & machine.isna()).to_numpy() & ~out
    remark = Remark("no order has this id", "give the order as well, or put the id right", REFUSED)
    notes.say(lost, "order_id", ids, remark)


def _doubles(frame: pd.DataFrame, notes: Notes) -> None:
    """The same row again; two rows with one number."""
    key = frame[["order_id", "seq"]]
    there = frame["seq"].notna() & frame["order_id"].notna()
    again = (frame.duplicated(keep="first") & there).to_numpy()
    notes.say(again, "seq", frame["seq"], Remark("the same row again", "take it out", REFUSED))
    left = there.to_numpy() & ~again & ~notes.refused
    twice = key[left].duplicated(keep=False)
    at = np.flatnonzero(left)[twice.to_numpy()]
    if not len(at):
        return
    order, seq = frame["order_id"].to_numpy(), frame["seq"].to_numpy(dtype=float)
    second = np.zeros(len(frame), dtype=bool)
    for name in pd.unique(order[at]):
        rows = np.flatnonzero(left & (order == name))
        starts = np.flatnonzero(np.diff(seq[rows]) < 0) + 1
        if len(starts) == 1 and seq[rows[starts[0]]] == seq[rows].min():
            second[rows[starts[0] :]] = True  # counted from the beginning again
    remark = Remark(
        "a second job in one order", "give each job an order of its own; the first is used", REFUSED
    )
    notes.say(second, "seq", frame["seq"], remark)
    left &= ~second
    both = np.zeros(len(frame), dtype=bool)
    both[np.flatnonzero(left)[key[left].duplicated(keep=False).to_numpy()]] = True
    remark = Remark("two steps with one number", "number the steps of an order from 1", REFUSED)
    notes.say(both, "seq", frame["seq"], remark)


def _in_order(frame: pd.DataFrame, where: Mask) -> pd.DataFrame:
    """Rows asked for, by order and number."""
    return frame[where].sort_values(["order_id", "seq"], kind="stable")


def _jobs(frame: pd.DataFrame, notes: Notes, where: Mask) -> None:
    """What comes after an order was closed, and not reopened, is another job."""
    steps = _in_order(frame, where & ~notes.refused)
    closed = (steps["kind"] == "closed").astype(int)
    opened = (steps["kind"] == "reopened").astype(int)
    by_order = steps["order_id"]
    before = closed.groupby(by_order).cumsum() - closed
    back = opened.groupby(by_order).cumsum()
    late = steps.index[(before > back) & ~steps["kind"].isin(("reopened", "undone", "moved"))]
    remark = Remark(
        "comes after the order was closed",
        "give a second job an order of its own, or a step 'reopened' before it",
        REFUSED,
    )
    notes.say(late.to_numpy(), "seq", frame["seq"], remark)


def _names(
    frame: pd.DataFrame, notes: Notes, machine: Machine, wording: Wording, own: Mask
) -> None:
    """Every id of a machine's steps."""
    kind = frame["kind"].astype("str")
    tests = {name: test.title for name, test in machine.tests.items()}
    tested = own & kind.isin(TESTED).to_numpy()
    _resolve(frame, notes, "test", tested, wording.finder("test", machine.id, tests))
    check_readings(frame, notes, machine, wording, own & kind.isin(FOUND).to_numpy())
    complaints = {name: one.title for name, one in machine.complaints.items()}
    told = own & (kind == "told").to_numpy(dtype=bool)
    find = wording.finder("complaint", machine.id, complaints)
    _resolve(frame, notes, "outcome", told, find)
    areas = {name: area.title for name, area in machine.areas.items()}
    areas_named = own & kind.isin(("area_opened", "area_closed")).to_numpy()
    _resolve(frame, notes, "area", areas_named, wording.finder("area", machine.id, areas))
    repaired = own & (kind == "repaired").to_numpy(dtype=bool)
    parts = {name: part.title for name, part in machine.parts.items()}
    _resolve(frame, notes, "part", repaired, wording.finder("part", machine.id, parts))
    for name, rows in rows_of(frame["part"], repaired & ~notes.refused):
        repairs = {one.id: one.title for one in machine.parts[name].repairs}
        _resolve(frame, notes, "repair", rows, wording.finder("repair", machine.id, repairs))
    shown = {**complaints, RUNS: RUNS, SAME: SAME, OTHER: OTHER}
    find = wording.finder("result", machine.id, shown)
    tried = own & (kind == "tried").to_numpy(dtype=bool)
    _resolve(frame, notes, "result", tried, find)
    _resolve(frame, notes, "result", repaired, find, done=SET_ASIDE)


def _resolve(
    frame: pd.DataFrame,
    notes: Notes,
    column: str,
    where: Mask | Rows,
    find: Finder,
    done: str = REFUSED,
) -> None:
    """Ids in a column for what was written there."""
    at = np.arange(len(frame))[where]
    for text, rows in rows_of(frame[column], at[~notes.refused[at]]):
        name = find.find(text)
        if name == text:
            continue
        if name == NOTHING:
            remark = Remark("words without a meaning, by the mapping", "nothing", done)
            notes.say(rows, column, text, remark)
            frame.loc[rows, column] = np.nan
        elif name is None:
            remedy = mapped_words(find.what, find.machine, text, find.miss(text, len(rows)))
            notes.say(rows, column, text, Remark(f"no such {find.what}", remedy, done))
            frame.loc[rows, column] = np.nan
        else:
            notes.say(rows, column, text, Remark("shop's own words", "nothing", PUT_RIGHT))
            frame.loc[rows, column] = name


def _after_unread_repairs(frame: pd.DataFrame, notes: Notes, where: Mask) -> None:
    """What was found after a repair that cannot be read is of nobody knows which parts."""
    steps = _in_order(frame, where)
    unread = ((steps["kind"] == "repaired") & notes.refused[steps.index]).astype(int)
    same_again = steps.duplicated(keep="first")
    late = unread.where(~same_again, 0).groupby(steps["order_id"]).cumsum() > 0
    rows = steps.index[late & ~notes.refused[steps.index] & (steps["kind"] != "closed")]
    remark = Remark(
        "comes after a repair that cannot be read", "put that repair right; see its row", REFUSED
    )
    notes.say(rows.to_numpy(), "seq", frame["seq"], remark)


def _checks(frame: pd.DataFrame, notes: Notes, where: Mask) -> None:
    """Repairs after which nobody wrote down what the machine did."""
    steps = _in_order(frame, where & ~notes.refused)
    steps = steps[steps["kind"].isin(("repaired", "tried"))]
    followed = (steps["kind"].shift(-1) == "tried") & (
        steps["order_id"].shift(-1) == steps["order_id"]
    )
    bare = steps.index[(steps["kind"] == "repaired") & steps["result"].isna() & ~followed]
    remark = Remark(
        "no check after the repair", "nothing is concluded from a repair without one", NOTED
    )
    notes.say(bare.to_numpy(), "result", "", remark)
