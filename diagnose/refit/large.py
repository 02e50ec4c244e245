"""Patterns of very many orders, counted from Parquet files piece by piece.

Orders go to pieces by the hash of their id. A piece is a few numbers for each step: the order it
belongs to, its place, and a number for what it says. Orders that say the same have the same sum of
mixed numbers, so one of each is told out in full and the others are counted. Counts are whole
numbers, so any split gives the same.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import as_completed
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.dataset as ds  # type: ignore[import-untyped]

from diagnose.refit.patterns import (
    COMEBACK,
    NO_STEPS,
    UNKNOWN,
    WINDOW_DAYS,
    Counted,
    make_counted,
    merged,
    pattern_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor, Future
    from pathlib import Path

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.refit.patterns import Pattern, Row

    Hashes = NDArray[np.uint64]
    Numbers = NDArray[np.int64]

SAID = ("kind", "test", "outcome", "reading", "sure", "part", "repair", "result")
"""Columns of a step that a pattern is made of."""

ASKED = ("complaint_told", "cause_part", "cause_mode", "cause_seen")
"""The same of an order; the temperature bears on numbers on a meter alone."""

CELSIUS = "temperature_celsius"

ORDER_COLUMNS = (
    *("order_id", "machine", "machine_version", "comeback_of", "days_to_comeback"),
    *(CELSIUS, *ASKED),
)

PLAIN = ("told", "finding", "repaired", "tried", "area_opened", "area_closed", "tools", "closed")
"""Kinds of step whose order between two repairs does not matter."""

AHEAD = {"batch_size": 1 << 17, "batch_readahead": 2, "fragment_readahead": 1}
"""Rows read at once, and how many such batches ahead: all that is read ahead lies in memory."""

MOST_CODES = 1 << 40
"""What a step says as one number stays below this."""

AT_ONCE = 1 << 18
"""Orders told apart at once."""

ODD = np.uint64(0x9E3779B97F4A7C15)
"""An odd number whose products spread over all bits (Knuth, volume 3, section 6.4)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Orders of a piece and their steps.

    Attributes:
        ids: (orders,) hashes of their ids, ascending.
        asked: (orders,) number of what each says itself.
        asked_rows: what these numbers stand for.
        celsius: (orders,) temperature of the battery, NaN where none was written down.
        back: (orders,) whether the machine was soon back.
        order, seq, said: (steps,) order, number in it, and number of what it says.
        said_rows: what these numbers stand for.
        aside: orders set aside before their steps are read, by why.
    """

    ids: Hashes
    asked: NDArray[np.int64]
    asked_rows: list[Row]
    celsius: NDArray[np.float64]
    back: NDArray[np.bool_]
    order: NDArray[np.int32]
    seq: NDArray[np.int32]
    said: NDArray[np.int32]
    said_rows: list[Row]
    aside: dict[str, int]


def counted_from(
    machine: Machine,
    orders: str | Path,
    steps: str | Path,
    *,
    pieces: int = 1,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Counted:
    """Count the patterns of a machine's orders from two Parquet files, or folders of them.

    The same whatever the number of pieces, and wherever they are counted. To use many machines,
    pass what a Dask cluster offers, `distributed.Client(address).get_executor()`: a piece that is
    lost with its worker is counted again.

    Args:
        machine: whose orders count.
        orders: file or folder of the orders table.
        steps: the same of the steps.
        pieces: how many; memory is needed for one at a time, some 40 bytes a step.
        executor: where to count; default: here, one after the other.
        progress: called with the pieces counted and those in all.
    """
    jobs = [(machine, str(orders), str(steps), piece, pieces) for piece in range(pieces)]
    found: list[Counted] = []
    if executor is None:
        for job in jobs:
            found.append(_counted(*job))
            if progress is not None:
                progress(len(found), pieces)
        return merged(found)
    waiting: list[Future[Counted]] = [executor.submit(_counted, *job) for job in jobs]
    for future in as_completed(waiting):
        found.append(future.result())
        if progress is not None:
            progress(len(found), pieces)
    return merged(found)


def _counted(machine: Machine, orders: str, steps: str, piece: int, pieces: int) -> Counted:
    """The patterns of one piece."""
    own = _read_steps(_read_orders(machine, orders, piece, pieces), steps, piece, pieces)
    rows = _in_order(own.order, own.seq)
    order, said = own.order[rows], own.said[rows]
    kinds = np.array([row["kind"] for row in own.said_rows], dtype=object)
    aside = Counter(own.aside)
    told: list[tuple[Pattern, int]] = []
    for first in range(0, len(own.ids), AT_ONCE):
        part = _part(own, first)
        begin, end = np.searchsorted(order, [first, first + len(part.ids)]).tolist()
        local = order[begin:end].astype(np.int64) - first
        found, without = _told_of(machine, part, local, said[begin:end].astype(np.int64), kinds)
        told += found
        aside[NO_STEPS] += without
    return make_counted(told, {why: n for why, n in aside.items() if n})


def _in_order(order: NDArray[np.int32], seq: NDArray[np.int32]) -> NDArray[np.int64]:
    """(steps,) their places by order, and by number within it."""
    key = order.astype(np.int64) << 32
    key += seq
    return np.asarray(np.argsort(key, kind="stable"), dtype=np.int64)


def _part(own: _Piece, first: int) -> _Piece:
    """Some orders of a piece; their steps are cut apart elsewhere."""
    cut = slice(first, first + AT_ONCE)
    return replace(
        own, ids=own.ids[cut], asked=own.asked[cut], celsius=own.celsius[cut], back=own.back[cut]
    )


def _told_of(
    machine: Machine,
    own: _Piece,
    order: NDArray[np.int64],
    said: NDArray[np.int64],
    kinds: NDArray[Any],
) -> tuple[list[tuple[Pattern, int]], int]:
    """Patterns of some orders with how many tell each, and how many have no steps."""
    at = np.searchsorted(order, np.arange(len(own.ids) + 1))
    tells = np.isin(kinds, ["finding", "repaired"])
    worth = np.bincount(order, tells[said], len(own.ids)) > 0
    as_done = _as_done(own, order, said, kinds)
    mixed = _story(own, order, said, kinds, as_done)
    _, first, counts = np.unique(mixed[worth], return_index=True, return_counts=True)
    once = np.flatnonzero(worth)[first]
    told = [
        (_told(machine, own, said[at[place] : at[place + 1]], place), count)
        for place, count in zip(once.tolist(), counts.tolist(), strict=True)
    ]
    return told, int((~worth).sum())


def _told(machine: Machine, own: _Piece, said: NDArray[np.int64], place: int) -> Pattern:
    """The pattern of one order."""
    steps = [own.said_rows[number] for number in said.tolist()]
    order, celsius = own.asked_rows[own.asked[place]], float(own.celsius[place])
    if np.isfinite(celsius):
        order = order | {CELSIUS: celsius}
    return pattern_of(machine, order, steps, bool(own.back[place]))


def _story(
    own: _Piece,
    order: NDArray[np.int64],
    said: NDArray[np.int64],
    kinds: NDArray[Any],
    as_done: NDArray[np.bool_],
) -> NDArray[np.complex128]:
    """(orders,) two numbers of 64 bits, as one, that are the same for the same story.

    Where steps count in the order they were done in, their places go into it, and the temperature.
    """
    at = np.searchsorted(order, np.arange(len(own.ids) + 1))
    place = np.arange(len(order)) - at[order]
    epoch = np.where(as_done[order], place, _epoch(order, said, kinds))
    counts = np.isin(kinds, ["finding", "repaired", "tried"])[said] | as_done[order]
    text = np.array(["|".join(map(str, row.values())) for row in own.said_rows], dtype=object)
    number = _hash(text) if len(text) else np.zeros(0, dtype=np.uint64)
    asked = np.array(["|".join(map(str, row.values())) for row in own.asked_rows], dtype=object)
    begun = _hash(asked)[own.asked] + own.back.astype(np.uint64) * ODD
    celsius = np.where(np.isfinite(own.celsius), own.celsius, -300.0).view(np.uint64)
    begun += np.where(as_done, _mixed(celsius + ODD), np.uint64(0))
    found = []
    for salt in (np.uint64(1), np.uint64(0xD6E8FEB86659FD93)):
        each = _mixed((number[said] + salt) * ODD ^ (epoch.astype(np.uint64) + salt) * salt)
        # Sums of a stretch are differences of sums from the beginning, modulo 2**64.
        sums = np.cumsum(np.concatenate([np.zeros(1, dtype=np.uint64), np.where(counts, each, 0)]))
        found.append(_mixed(begun + salt) + sums[at[1:]] - sums[at[:-1]])
    return np.stack(found, axis=1).view(np.complex128)[:, 0]


def _epoch(
    order: NDArray[np.int64], said: NDArray[np.int64], kinds: NDArray[Any]
) -> NDArray[np.int64]:
    """(steps,) how many repairs of its order came before each; a repair counts itself."""
    repairs = (kinds == "repaired")[said].astype(np.int64)
    total = np.cumsum(repairs)
    begins = np.concatenate([np.ones(min(len(order), 1), dtype=bool), order[1:] != order[:-1]])
    first = np.flatnonzero(begins)[np.cumsum(begins) - 1]
    before = np.concatenate([np.zeros(1, dtype=np.int64), total])[first]
    return np.asarray(total - before, dtype=np.int64)


def _as_done(
    own: _Piece, order: NDArray[np.int64], said: NDArray[np.int64], kinds: NDArray[Any]
) -> NDArray[np.bool_]:
    """(orders,) where the order of steps matters beyond that of repairs, or the temperature."""
    odd = ~np.isin(kinds, PLAIN)
    odd |= np.array([row["kind"] == "finding" and row["outcome"] is None for row in own.said_rows])
    strange = odd[said]
    test = np.array([str(row["test"]) for row in own.said_rows], dtype=object)
    names, of_test = np.unique(test, return_inverse=True)
    epoch, finding = _epoch(order, said, kinds), np.flatnonzero((kinds == "finding")[said])
    key = (order[finding] * (int(epoch.max(initial=0)) + 1) + epoch[finding]) * len(names)
    key += of_test[said[finding]]
    ordered = np.argsort(key, kind="stable")
    again = np.zeros(len(key), dtype=bool)
    again[ordered[1:]] = key[ordered[1:]] == key[ordered[:-1]]
    strange[finding[again]] = True
    tried = (kinds == "tried")[said]
    after = np.concatenate([[False], (kinds == "repaired")[said][:-1]])
    strange |= tried & ~after
    return np.bincount(order, strange, len(own.ids)) > 0


def _read_orders(machine: Machine, path: str, piece: int, pieces: int) -> _Piece:
    """The orders of a piece, read batch by batch; no steps yet."""
    data, aside = ds.dataset(path), Counter[str]()
    held = [name for name in ORDER_COLUMNS if name in data.schema.names]
    asked = _Numbers()
    ids: list[Hashes] = []
    back: list[Hashes] = []
    number, celsius = list[Any](), list[Any]()
    for batch in data.to_batches(columns=held, **AHEAD):
        table = batch.to_pandas().reindex(columns=ORDER_COLUMNS)
        days = table["days_to_comeback"].astype(float).fillna(0.0)
        returned = table["comeback_of"].notna()
        back.append(_hash(table.loc[returned & (days <= WINDOW_DAYS), "comeback_of"]))
        of_machine = (table["machine"] == machine.id) & (
            table["machine_version"].astype(str) == machine.version
        )
        hashes = _hash(table["order_id"])
        mine = of_machine.to_numpy() & (hashes % np.uint64(pieces) == piece)
        known = table["complaint_told"].isin(list(machine.complaints)).to_numpy()
        used = mine & ~returned.to_numpy() & known
        aside[COMEBACK] += int((mine & returned.to_numpy()).sum())
        aside[UNKNOWN] += int((mine & ~returned.to_numpy() & ~known).sum())
        ids.append(hashes[used])
        own = table.loc[used, list(ASKED)]
        alike = own.groupby(list(ASKED), dropna=False, sort=False).ngroup().to_numpy()
        number.append(asked.of(_rows(own.drop_duplicates()))[alike])
        celsius.append(table.loc[used, CELSIUS].to_numpy(dtype=np.float64, na_value=np.nan))
    whole = np.concatenate([np.zeros(0, dtype=np.uint64), *ids])
    by_id = np.argsort(whole, kind="stable")
    none = np.zeros(0, dtype=np.int32)
    returns = np.unique(np.concatenate([np.zeros(0, dtype=np.uint64), *back]))
    return _Piece(
        ids=whole[by_id],
        asked=np.concatenate([none, *number])[by_id],
        asked_rows=asked.rows,
        celsius=np.concatenate([np.zeros(0), *celsius])[by_id],
        back=np.isin(whole[by_id], returns),
        order=none,
        seq=none,
        said=none,
        said_rows=[],
        aside=dict(aside),
    )


class _Numbers:
    """Numbers for rows that differ, as they come."""

    def __init__(self) -> None:
        """None yet."""
        self.rows: list[Row] = []
        self._number: dict[tuple[Any, ...], int] = {}

    def of(self, rows: list[Row]) -> NDArray[np.int32]:
        """(rows,) number of each; what is new is added."""
        found = np.empty(len(rows), dtype=np.int32)
        for place, row in enumerate(rows):
            key = tuple(row.values())
            number = self._number.get(key)
            if number is None:
                number = self._number[key] = len(self.rows)
                self.rows.append(row)
            found[place] = number
        return found


def _read_steps(own: _Piece, path: str, piece: int, pieces: int) -> _Piece:
    """The steps of a piece, read batch by batch."""
    data = ds.dataset(path)
    held = [name for name in SAID if name in data.schema.names]
    numbers = _Numbers()
    parts: list[tuple[NDArray[np.int32], ...]] = []
    for batch in data.to_batches(columns=["order_id", "seq", *held], **AHEAD):
        if not len(batch):
            continue
        ids = batch["order_id"].dictionary_encode()
        hashes = _hash(ids.dictionary.to_pandas())[ids.indices.to_numpy(zero_copy_only=False)]
        place = np.minimum(np.searchsorted(own.ids, hashes), max(len(own.ids) - 1, 0))
        mine = np.flatnonzero(hashes % np.uint64(pieces) == piece)
        if not len(own.ids):
            continue
        mine = mine[own.ids[place[mine]] == hashes[mine]]
        said = _numbered(batch.take(pa.array(mine)), held, numbers)
        seq = batch["seq"].to_numpy(zero_copy_only=False)[mine].astype(np.int32)
        parts.append((place[mine].astype(np.int32), seq, said))
    none = np.zeros(0, dtype=np.int32)
    order, seq, said = (np.concatenate([none, *(own_[k] for own_ in parts)]) for k in range(3))
    return replace(own, order=order, seq=seq, said=said, said_rows=numbers.rows)


def _numbered(batch: Any, held: list[str], numbers: _Numbers) -> NDArray[np.int32]:
    """(steps,) number of what each says; what is new is added."""
    # A number on a meter says more than the outcome only where no outcome was written down.
    if "reading" in held:
        read = pc.if_else(
            pc.is_valid(batch["outcome"]),
            pa.scalar(None, pa.float64()),
            batch["reading"].cast(pa.float64()),
        )
        batch = batch.set_column(batch.schema.names.index("reading"), "reading", read)
    code = np.zeros(len(batch), dtype=np.int64)
    for name in held:
        # Each column as numbers of its different values, and the numbers as digits of one.
        column = batch[name].dictionary_encode(null_encoding="encode")
        if int(code.max(initial=0)) * len(column.dictionary) >= MOST_CODES:
            code = np.unique(code, return_inverse=True)[1]
        code = code * len(column.dictionary) + column.indices.to_numpy(zero_copy_only=False)
    _, first, indices = np.unique(code, return_index=True, return_inverse=True)
    samples = _rows(batch.take(pa.array(first)).to_pandas()[held].reindex(columns=list(SAID)))
    return np.asarray(numbers.of(samples)[indices], dtype=np.int32)


def _rows(table: pd.DataFrame) -> list[Row]:
    plain = table.astype(object).where(table.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in plain.to_dict("records")]


def _hash(texts: Any) -> Hashes:
    """(n,) 64 bits that stand for each text, the same on every computer."""
    values = np.asarray(texts, dtype=object)
    if not len(values):
        return np.zeros(0, dtype=np.uint64)
    return np.asarray(pd.util.hash_array(values, categorize=False), dtype=np.uint64)


def _mixed(values: Hashes) -> Hashes:
    """The same numbers with every bit spread over all."""
    found = (values ^ (values >> np.uint64(31))) * ODD
    return np.asarray(found ^ (found >> np.uint64(29)), dtype=np.uint64)
