"""The table `orders`: which rows can be used, and what was wrong with the others."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.machine.load import machine_names
from diagnose.refit.notes import NOTED, PUT_RIGHT, REFUSED, SET_ASIDE, Remark
from diagnose.refit.wording import NOTHING, mapped_words, rows_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.refit.notes import Notes
    from diagnose.refit.wording import Finder, Wording

_SEVERAL = re.compile(r"\s*(?:;|\+|&|,|\band\b)\s*")


def check_orders(
    frame: pd.DataFrame, notes: Notes, machines: Mapping[str, Machine], wording: Wording
) -> NDArray[np.bool_]:
    """Look through all orders; cells that cannot be used are emptied in place.

    Args:
        frame: the orders, as `read_columns` gives them.
        notes: takes the remarks.
        machines: those that the orders may be of.
        wording: the analyst's mapping.

    Returns:
        (rows,) whether an order is of another machine; nothing is wrong with those.
    """
    _doubles(frame, notes)
    _times(frame, notes)
    others = _machines(frame, notes, machines, wording)
    for name, machine in machines.items():
        own = (frame["machine"] == name).to_numpy(dtype=bool) & ~notes.refused
        _versions(frame, notes, machine, wording, own)
        _complaints(frame, notes, machine, wording, own)
        _causes(frame, notes, machine, wording, own)
    _comebacks(frame, notes)
    return others


def _doubles(frame: pd.DataFrame, notes: Notes) -> None:
    """Rows of one order: the same again, or another state of it."""
    ids = frame["order_id"]
    there = ids.notna()
    again = (frame.duplicated(keep="first") & there).to_numpy()
    notes.say(again, "order_id", ids, Remark("the same row again", "take it out", REFUSED))
    left = frame[there & ~again]
    several = left[left["order_id"].duplicated(keep=False)]
    if several.empty:
        return
    last = several.groupby("order_id")["closed_at"].transform("max")
    newest = several[several["closed_at"] == last]
    single = newest[~newest["order_id"].duplicated(keep=False)].index
    older = several.index.difference(single)
    kept = frame.loc[older, "order_id"].isin(frame.loc[single, "order_id"])
    remark = Remark("an earlier state of the same order", "keep the row closed last", REFUSED)
    notes.say(older[kept].to_numpy(), "order_id", ids, remark)
    remark = Remark(
        "rows of one order differ", "keep the one that holds, or give each its own id", REFUSED
    )
    notes.say(older[~kept].to_numpy(), "order_id", ids, remark)


def _times(frame: pd.DataFrame, notes: Notes) -> None:
    early = (frame["closed_at"] < frame["opened_at"]).to_numpy(dtype=bool)
    opened = frame["opened_at"].astype("str")
    shown = frame["closed_at"].astype("str") + " < " + opened
    remark = Remark("closed before it was opened", "put right the one that is wrong", REFUSED)
    notes.say(early, "closed_at", shown, remark)


def _machines(
    frame: pd.DataFrame, notes: Notes, machines: Mapping[str, Machine], wording: Wording
) -> NDArray[np.bool_]:
    titles = {name: machine.title for name, machine in machines.items()}
    find = wording.finder("machine", "", titles)
    shipped, others = set(machine_names()), np.zeros(len(frame), dtype=bool)
    for text, rows in rows_of(frame["machine"], ~notes.refused):
        name = find.find(text)
        if name in machines:
            if name != text:
                remark = Remark("is spelled another way", "nothing", PUT_RIGHT)
                notes.say(rows, "machine", text, remark)
                frame.loc[rows, "machine"] = name
        elif text in shipped or name is not None:
            others[rows] = True
        else:
            near = find.miss(text, len(rows))
            remedy = mapped_words("machine", "", text, near)
            notes.say(rows, "machine", text, Remark("no such machine", remedy, REFUSED))
    return others


def _versions(
    frame: pd.DataFrame, notes: Notes, machine: Machine, wording: Wording, own: NDArray[np.bool_]
) -> None:
    mapped = wording.finder("version", machine.id, {machine.version: machine.version})
    for text, rows in rows_of(frame["machine_version"], own):
        if text == machine.version:
            continue
        if mapped.find(text) == machine.version:
            remark = Remark("another version, mapped to this one", "nothing", PUT_RIGHT)
            notes.say(rows, "machine_version", text, remark)
            frame.loc[rows, "machine_version"] = machine.version
            continue
        remedy = (
            f"use the file of version {text}; where nothing that orders name has changed since, "
            f"map it: `version,{machine.id},{text},{machine.version}`"
        )
        remark = Remark(f"the file has version {machine.version}", remedy, REFUSED)
        notes.say(rows, "machine_version", text, remark)


def _complaints(
    frame: pd.DataFrame, notes: Notes, machine: Machine, wording: Wording, own: NDArray[np.bool_]
) -> None:
    titles = {name: one.title for name, one in machine.complaints.items()}
    find = wording.finder("complaint", machine.id, titles)
    for column, done in (("complaint_told", REFUSED), ("complaint_seen", SET_ASIDE)):
        for text, rows in rows_of(frame[column], own):
            name = find.find(text)
            if name == text:
                continue
            if name is None or name == NOTHING:
                near = find.miss(text, len(rows)) if name is None else ()
                remedy = mapped_words("complaint", machine.id, text, near)
                notes.say(rows, column, text, Remark("no such complaint", remedy, done))
                frame.loc[rows, column] = np.nan
            else:
                notes.say(rows, column, text, Remark("shop's own words", "nothing", PUT_RIGHT))
                frame.loc[rows, column] = name


@dataclass(frozen=True, slots=True)
class _CauseNames:
    """Where the cause of an order is looked up."""

    machine: Machine
    parts: Finder
    causes: Finder
    modes: Mapping[str, Finder]

    def of(self, part: str, mode: str) -> tuple[str, str] | None:
        """Part and mode, the latter empty where only the part is known; None for neither."""
        known = self.parts.find(part)
        if known is not None and known != NOTHING:
            named = self.modes[known].find(mode) if mode else ""
            return None if named is None else (known, "" if named == NOTHING else named)
        cause = self.causes.find(f"{part} / {mode}" if mode else part)
        if cause is None:
            return None
        name, _, mode = cause.partition(".")
        return ("", "") if cause == NOTHING else (name, mode)

    def miss(self, part: str, mode: str, times: int) -> tuple[str, ...]:
        known = self.parts.find(part)
        if known is not None and known != NOTHING:
            return self.modes[known].miss(mode, times)
        return self.causes.miss(f"{part} / {mode}" if mode else part, times)


def _cause_names(machine: Machine, wording: Wording) -> _CauseNames:
    parts = {name: part.title for name, part in machine.parts.items()}
    modes = {
        name: {mode: one.title for mode, one in list(part.modes.items())[1:]}
        for name, part in machine.parts.items()
    }
    both = {
        f"{name}.{mode}": f"{parts[name]} {title}"
        for name, titles in modes.items()
        for mode, title in titles.items()
    }
    return _CauseNames(
        machine,
        wording.finder("part", machine.id, parts),
        wording.finder("cause", machine.id, both),
        {name: wording.finder("mode", machine.id, titles) for name, titles in modes.items()},
    )


def _causes(
    frame: pd.DataFrame, notes: Notes, machine: Machine, wording: Wording, own: NDArray[np.bool_]
) -> None:
    """Causes by id; what cannot be told apart counts as not known."""
    names = _cause_names(machine, wording)
    alone = own & frame["cause_part"].isna().to_numpy() & frame["cause_mode"].notna().to_numpy()
    remark = Remark("a mode without its part", "name the part", SET_ASIDE)
    notes.say(alone, "cause_mode", frame["cause_mode"], remark)
    frame.loc[alone, "cause_mode"] = np.nan
    both = frame["cause_part"].fillna("") + "\0" + frame["cause_mode"].fillna("")
    given = own & frame["cause_part"].notna().to_numpy()
    for text, rows in rows_of(both, given):
        part, _, mode = text.partition("\0")
        if part in machine.parts and (not mode or mode in list(machine.parts[part].modes)[1:]):
            continue
        shown = f"{part} / {mode}" if mode else part
        cause = names.of(part, mode)
        if cause is None:
            remark = _no_cause(names, part, mode, len(rows))
            cause = ("", "")
        elif cause == ("", ""):
            remark = Remark("words without a meaning, by the mapping", "nothing", SET_ASIDE)
        else:
            remark = Remark("shop's own words", "nothing", PUT_RIGHT)
        notes.say(rows, "cause_part", shown, remark)
        frame.loc[rows, "cause_part"] = cause[0] or np.nan
        frame.loc[rows, "cause_mode"] = cause[1] or np.nan


def _no_cause(names: _CauseNames, part: str, mode: str, times: int) -> Remark:
    pieces = [piece for piece in _SEVERAL.split(part) if piece]
    if len(pieces) > 1 and all(names.parts.find(piece) is not None for piece in pieces):
        return Remark(
            "several causes in one order",
            "give each job an order of its own; the cause counts as not known",
            SET_ASIDE,
        )
    near = names.miss(part, mode, times)
    what = "mode" if names.parts.find(part) is not None else "cause"
    text = mode if what == "mode" else (f"{part} / {mode}" if mode else part)
    return Remark(f"no such {what}", mapped_words(what, names.machine.id, text, near), SET_ASIDE)


def _comebacks(frame: pd.DataFrame, notes: Notes) -> None:
    of = frame["comeback_of"]
    own = (of == frame["order_id"]).to_numpy(dtype=bool)
    notes.say(own, "comeback_of", of, Remark("names itself", "name the earlier order", SET_ASIDE))
    frame.loc[own, "comeback_of"] = np.nan
    lost = (of.notna() & ~of.isin(frame["order_id"])).to_numpy(dtype=bool) & ~own
    remark = Remark("the earlier order is not in the table", "give it as well if it can be", NOTED)
    notes.say(lost, "comeback_of", of, remark)
