"""Words that a shop writes for what a machine file calls by an id: the table the analyst edits.

A mapping has the columns `what, machine, text, id`: what kind of name it is (`complaint`, `test`,
`outcome`, `cause` ...), the machine that it is for (empty: all), the shop's words, and the id.
The id `-` says that these words mean nothing usable; such cells count as empty.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from diagnose.errors import TableError
from diagnose.machine.nearest import LONGEST_COMPARED, Names
from diagnose.refit.cells import plain
from diagnose.refit.table_files import read_raw

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

NOTHING = "-"
"""Id of words that mean nothing usable."""

WHATS = (
    *("column", "machine", "version", "complaint", "test", "outcome", "part", "mode", "cause"),
    *("repair", "area", "tool", "result", "unit", "kind", "ended", "cause_seen", "fitted_new"),
)
"""What a line of the mapping can be about; choices go by the name of their column."""

NEAREST = 3
MAPPING_COLUMNS = ("what", "machine", "text", "id")
UNMAPPED_COLUMNS = ("what", "machine", "text", "times", "nearest", "id")


@dataclass(frozen=True, slots=True)
class Wording:
    """A mapping, and the words that it did not have.

    Attributes:
        known: (what, machine or empty, plain text) -> id.
        missed: (what, machine, text) -> how often it was met, and the names it could be.
    """

    known: Mapping[tuple[str, str, str], str] = field(default_factory=dict)
    missed: dict[tuple[str, str, str], tuple[int, tuple[str, ...]]] = field(default_factory=dict)

    def of(self, what: str, machine: str = "") -> dict[str, str]:
        """Plain text -> id of one kind; lines for one machine go before those for all."""
        either = {text: id_ for (kind, own, text), id_ in self.known.items()
                  if kind == what and own == ""}  # fmt: skip
        if machine:
            either |= {text: id_ for (kind, own, text), id_ in self.known.items()
                       if kind == what and own == machine}  # fmt: skip
        return either

    def finder(self, what: str, machine: str, titles: Mapping[str, str]) -> Finder:
        """Looks texts up among the names of one kind.

        Args:
            what: kind of name, one of `WHATS`.
            machine: id of the machine; empty where the names are nobody's own.
            titles: id -> title, all that there are.
        """
        return Finder(self, what, machine, titles)

    def unmapped(self) -> pd.DataFrame:
        """Words that nothing is known of, the most frequent first; with ids, it is a mapping."""
        rows = [
            (what, machine, text, times, " | ".join(near), "")
            for (what, machine, text), (times, near) in self.missed.items()
        ]
        frame = pd.DataFrame(rows, columns=list(UNMAPPED_COLUMNS))
        return frame.sort_values(["times", "text"], ascending=[False, True], ignore_index=True)


class Finder:
    """Ids by what people write: as they are, by the mapping, or by id or title in any spelling."""

    def __init__(
        self, wording: Wording, what: str, machine: str, titles: Mapping[str, str]
    ) -> None:
        """Take the names apart once for many that are looked up."""
        self._wording, self._titles = wording, titles
        self.what, self.machine = what, machine
        self._mapped, self._spelled = wording.of(what, machine), _spellings(titles)
        self._names: Names | None = None
        self._id_of = dict[str, str]()

    def find(self, text: str) -> str | None:
        """The id that a text stands for; `NOTHING` for words without a meaning, None for none."""
        if text in self._titles:
            return text
        said = plain(text)
        return self._mapped.get(said) or self._spelled.get(said)

    def miss(self, text: str, times: int) -> tuple[str, ...]:
        """Note a text that no id is known for; the ids that are nearest."""
        key = (self.what, self.machine, text)
        before, near = self._wording.missed.get(key, (0, ()))
        near = near or self._nearest(plain(text)[:LONGEST_COMPARED])
        self._wording.missed[key] = (before + times, near)
        return near

    def _nearest(self, said: str) -> tuple[str, ...]:
        if self._names is None:
            self._id_of = {plain(title): id_ for id_, title in self._titles.items()}
            self._id_of |= {plain(id_): id_ for id_ in self._titles}
            self._names = Names(self._id_of)
        near = self._names.several(said, 2 * NEAREST)
        return tuple(dict.fromkeys(self._id_of[name] for name in near))[:NEAREST]


def _spellings(titles: Mapping[str, str]) -> dict[str, str]:
    """Plain text of ids and titles -> id; a title that two things have says neither."""
    found = dict[str, str]()
    shared = set[str]()
    for id_, title in titles.items():
        said = plain(title)
        if found.setdefault(said, id_) != id_:
            shared.add(said)
    for said in shared:
        del found[said]
    return found | {plain(id_): id_ for id_ in titles}


def read_wording(source: str | Path | pd.DataFrame | None) -> Wording:
    """The mapping in a file; lines without an id are those still to be filled.

    Raises:
        TableError: it cannot be read, lacks a column, or has a line that means nothing.
    """
    if source is None:
        return Wording()
    raw = read_raw(source, "mapping")
    frame = raw.frame.rename(columns=lambda name: str(name).strip().lower())
    for column in ("what", "text", "id"):
        if column not in frame.columns:
            wanted = ", ".join(MAPPING_COLUMNS)
            raise TableError(raw.file, f"has no such column; expected {wanted}", column)
    known: dict[tuple[str, str, str], str] = {}
    for number, line in zip(raw.row.tolist(), _lines(frame), strict=True):
        what, machine, text, id_ = line
        if what not in WHATS:
            near = Names(WHATS).nearest(what) or ", ".join(WHATS)
            raise TableError(raw.file, f"row {number}: met '{what}'; nearest is '{near}'", "what")
        if not text:
            raise TableError(raw.file, f"row {number}: no text that it is about", "text")
        key = (what, machine, text if what == "column" else plain(text))
        if id_ and known.setdefault(key, id_) != id_:
            met = f"'{text}' is '{known[key]}' and '{id_}'"
            raise TableError(raw.file, f"row {number}: {met}; keep one of the two", "id")
    return Wording(known)


def _lines(frame: pd.DataFrame) -> Iterable[tuple[str, str, str, str]]:
    cells = frame.reindex(columns=list(MAPPING_COLUMNS)).astype("str").fillna("")
    for line in cells.itertuples(index=False):
        what, machine, text, id_ = (str(cell).strip() for cell in line)
        yield what, machine, text, id_


def mapped_words(what: str, machine: str, text: str, near: tuple[str, ...]) -> str:
    """What to put into the mapping for words that no id is known for."""
    hint = f"nearest is {', '.join(near)}; " if near else ""
    return f"{hint}map it: `{what},{machine},{text},{near[0] if near else 'ID'}`"


def rows_of(
    cells: pd.Series[Any], where: NDArray[np.bool_] | NDArray[np.int64]
) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Each different text of a column, with the numbers of its rows.

    Args:
        cells: the column.
        where: which rows are asked for, as a mask or by number; those without a text are left out.
    """
    at = np.arange(len(cells))[where]
    some = cells.iloc[at]
    there = some.notna().to_numpy()
    if not there.any():
        return
    at = at[there]
    codes, texts = pd.factorize(some[there])
    order = np.argsort(codes, kind="stable")
    ends = np.searchsorted(codes[order], np.arange(len(texts) + 1))
    for number, text in enumerate(texts):
        yield str(text), at[order[ends[number] : ends[number + 1]]]
