"""Closed orders of any shop, read for refitting: what can be used, and what was wrong."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.errors import TableError
from diagnose.machine.load import load_machine
from diagnose.machine.model import Machine
from diagnose.refit.columns_read import read_columns
from diagnose.refit.notes import COLUMNS, REFUSED, Notes, Remark
from diagnose.refit.read_orders import check_orders
from diagnose.refit.read_steps import check_steps
from diagnose.refit.readings import split_units
from diagnose.refit.table_files import RawTable, read_raw, with_columns
from diagnose.refit.wording import Wording, read_wording
from diagnose.steps.columns import columns
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

UTC = "UTC"
ORDERS, STEPS = "orders", "steps"
BROKEN = "has more or fewer cells than the heading"


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """The two tables with everything that was wrong with them.

    Attributes:
        orders: usable orders in the columns of the data dictionary, by closing time; times in UTC,
            numbers as float64, ids and texts as text or missing.
        steps: usable steps of those orders, by order and number.
        problems: every remark, see `diagnose.refit.notes.COLUMNS`.
        refused_orders, refused_steps: rows that are left out, as they were read, with the row's
            number in the file and the reasons.
        unmapped: words that no id is known for, the most frequent first, with the nearest ids; it
            is a mapping once its column `id` is filled.
        counts: what was read, used, refused, and of other machines, by table.
        not_known: columns of the files that the dictionary does not have, by table.
    """

    orders: pd.DataFrame
    steps: pd.DataFrame
    problems: pd.DataFrame
    refused_orders: pd.DataFrame
    refused_steps: pd.DataFrame
    unmapped: pd.DataFrame
    counts: Mapping[str, Mapping[str, int]]
    not_known: Mapping[str, tuple[str, ...]]

    def of(self, machine: str) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Orders and steps of one machine, by its id."""
        orders = self.orders[self.orders["machine"] == machine].reset_index(drop=True)
        steps = self.steps[self.steps["order_id"].isin(orders["order_id"])]
        return orders, steps.reset_index(drop=True)

    def tally(self) -> pd.DataFrame:
        """How often each thing was remarked on: table, done, problem, column, times."""
        keys = ["table", "done", "problem", "column"]
        counted = self.problems.groupby(keys, sort=False).size().rename("times").reset_index()
        return counted.sort_values(
            ["table", "done", "times"], ascending=[True, False, False], ignore_index=True
        )

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write problems, refused rows and unmapped words beside each other; the files written.

        Raises:
            OSError: they cannot be written.
        """
        place = Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        written = []
        for name in ("problems", "refused_orders", "refused_steps", "unmapped"):
            frame: pd.DataFrame = getattr(self, name)
            if len(frame):
                file = place / f"{name}.csv"
                write_whole(file, frame.to_csv(index=False))
                written.append(file)
        return tuple(written)


def read_tables(
    orders: str | Path | pd.DataFrame,
    steps: str | Path | pd.DataFrame,
    machines: str | Path | Machine | Iterable[str | Path | Machine],
    mapping: str | Path | pd.DataFrame | None = None,
    *,
    time_zone: str = UTC,
) -> Tables:
    """Read closed orders and their steps; usable rows go on, the others are told one by one.

    Args:
        orders: path of a CSV or Parquet file, or a frame, in the columns of the data dictionary
            `datasets/columns.csv`.
        steps: the same of their steps.
        machines: those whose orders are wanted: ids, paths of machine files, or machines.
        mapping: the shop's words for what machine files call by an id; see
            `diagnose.refit.wording`.
        time_zone: of times without an offset.

    Raises:
        TableError: a file that is no such table: it cannot be read or lacks a column.
        UnknownNameError, MachineFileError: no such machine, or a file with problems.
    """
    known = _machines(machines)
    wording = read_wording(mapping)
    _check_zone(time_zone)
    raw_orders, raw_steps = read_raw(orders, ORDERS), read_raw(steps, STEPS)
    made = _read(raw_orders, ORDERS, wording, time_zone)
    others = check_orders(made.frame, made.notes, known, wording)
    ids = made.frame["order_id"]
    usable = ~made.notes.refused
    machine_of = pd.Series(
        made.frame["machine"].to_numpy()[usable], index=ids.to_numpy()[usable], dtype="str"
    )
    kept = _kept(made, others).sort_values(["closed_at", "order_id"], ignore_index=True)
    gone = frozenset(ids[made.notes.refused].dropna()) - set(machine_of.index)
    done = _read(raw_steps, STEPS, wording, time_zone)
    of_others = check_steps(done.frame, done.notes, machine_of, gone, known, wording)
    return Tables(
        orders=kept,
        steps=_kept(done, of_others).sort_values(["order_id", "seq"], ignore_index=True),
        problems=_all_problems(made, done),
        refused_orders=_refused(made, raw_orders),
        refused_steps=_refused(done, raw_steps),
        unmapped=wording.unmapped(),
        counts={
            ORDERS: _counts(made, raw_orders, others),
            STEPS: _counts(done, raw_steps, of_others),
        },
        not_known={ORDERS: made.strange, STEPS: done.strange},
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    frame: pd.DataFrame
    notes: Notes
    strange: tuple[str, ...]
    broken: tuple[tuple[int, str], ...]


def _machines(
    machines: str | Path | Machine | Iterable[str | Path | Machine],
) -> dict[str, Machine]:
    several = [machines] if isinstance(machines, str | Path | Machine) else list(machines)
    loaded = [one if isinstance(one, Machine) else load_machine(one) for one in several]
    return {machine.id: machine for machine in loaded}


def _check_zone(name: str) -> None:
    try:
        pd.Timestamp("2025-01-01").tz_localize(name)
    except Exception as error:
        raise TableError("--time-zone", f"{name!r} is no time zone; expected e.g. Europe/London"
                         ) from error  # fmt: skip


def _read(raw: RawTable, table: str, wording: Wording, time_zone: str) -> _Read:
    known = columns()[table]
    renamed = {text: id_ for (what, _, text), id_ in wording.known.items() if what == "column"}
    frame, strange = with_columns(raw, known, renamed)
    ids = frame["order_id"].astype("str").fillna("").to_numpy(dtype=object)
    notes = Notes(table, raw.file, raw.row, ids)
    frame = split_units(frame) if table == STEPS else frame
    values = read_columns(frame, known, notes, wording, time_zone)
    return _Read(values, notes, strange, raw.broken)


def _kept(read: _Read, others: NDArray[np.bool_]) -> pd.DataFrame:
    return read.frame[~read.notes.refused & ~others].reset_index(drop=True)


def _counts(read: _Read, raw: RawTable, others: NDArray[np.bool_]) -> dict[str, int]:
    refused = read.notes.refused
    return {
        "read": len(read.frame) + len(raw.broken),
        "used": int((~refused & ~others).sum()),
        "refused": int(refused.sum()) + len(raw.broken),
        "of_other_machines": int((others & ~refused).sum()),
    }


def _all_problems(*reads: _Read) -> pd.DataFrame:
    """Remarks on both tables, rows that could not be taken apart among them."""
    frames = []
    for read in reads:
        rows = np.array([number for number, _ in read.broken], dtype=np.int64)
        texts = np.array([text[:80] for _, text in read.broken], dtype=object)
        none = np.full(len(rows), "", dtype=object)
        broken = Notes(read.notes.table, read.notes.file, rows, none)
        remedy = "put a text with a separator in it into double quotes"
        broken.say(np.ones(len(rows), dtype=bool), "", texts, Remark(BROKEN, remedy, REFUSED))
        both = [frame for frame in (read.notes.frame(), broken.frame()) if len(frame)]
        if both:
            frames.append(pd.concat(both, ignore_index=True).sort_values(
                ["row", "column"], kind="stable"))  # fmt: skip
    if not frames:
        return pd.DataFrame({name: pd.Series(dtype="str") for name in COLUMNS})
    return pd.concat(frames, ignore_index=True)


def _refused(read: _Read, raw: RawTable) -> pd.DataFrame:
    """The rows that go out, as they were read, with the reasons before them."""
    said = read.notes.frame()
    said = said[said["done"] == REFUSED]
    words = said["column"] + np.where(said["column"] == "", "", ": ") + said["problem"]
    reasons = words.groupby(said["row"]).agg("; ".join)
    row = raw.row[read.notes.refused]
    told = pd.DataFrame({"row": row, "reasons": reasons.reindex(row).to_numpy()})
    rows = raw.frame[read.notes.refused].reset_index(drop=True)
    frame = pd.concat([told, rows], axis=1)
    broken = pd.DataFrame(
        {"row": [n for n, _ in raw.broken], "reasons": [f"{BROKEN}: {t}" for _, t in raw.broken]}
    )
    return pd.concat([frame, broken], ignore_index=True) if len(broken) else frame
