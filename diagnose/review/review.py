"""How well a machine's tests can find its faults.

Terms after IEEE 1522 (testability and diagnosability characteristics), from memory. With p_i the
probability of fault i, D the faults for which some test differs from the good machine, and g_i
the number of repair items in the ambiguity group of fault i (faults under which every test gives
the same outcome):

    FFD   = sum_{i in D} p_i / sum_i p_i                      fraction of faults detected
    FFI_L = sum_{i in D, g_i <= L} p_i / sum_{i in D} p_i     fraction isolated to at most L items
    MTTI  = sum_i w_i t_i / sum_i w_i                         mean minutes to isolate

t_i are the minutes from the complaint until one repair item is left or no test splits what is
left, w_i = p_i times the share of the time that fault i gives the complaint; faults in D only.
Unweighted, all p_i are 1 and each fault counts once, shared out over its complaints. The unlisted
fault has no part and no mode, and is in none of these figures.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import UnknownNameError
from diagnose.job import prepare
from diagnose.review.groups import AmbiguityGroup, alike_parts, find_groups
from diagnose.review.isolation import isolation_minutes
from diagnose.review.practice import follow_jobs
from diagnose.review.suggest import Suggestion, suggest
from diagnose.review.table import MEASURED, make_table

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from pathlib import Path

    import pandas as pd
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.review.table import OutcomeTable
    from diagnose.rule.prepared import Prepared, Progress

TOOL_SETS: Mapping[str, tuple[str, ...] | None] = {
    "all": None,
    "meter": ("test_lamp", "multimeter"),
    "lamp": ("test_lamp",),
}
"""Sets of tools that machines are reviewed with, the widest first; None is every tool."""

MOST_ITEMS = 3
"""Fractions isolated are given for at most 1, 2 ... so many repair items."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Fractions and minutes; see this module's formulas.

    Attributes:
        detected: FFD, 0..1.
        isolated: FFI_1, FFI_2, FFI_3, 0..1.
        minutes_to_isolate: MTTI.
    """

    detected: float
    isolated: tuple[float, ...]
    minutes_to_isolate: float


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """What the tests of a machine can tell with some tools.

    Attributes:
        machine: id of the machine.
        tools: tools at hand, bare hands not counted.
        tests: tests that these tools allow.
        d_matrix: one row per fault, `good` first, indexed by `part.mode`; columns `part`, `mode`,
            `per_1000_jobs`, `detected` (0, 1), `repair_items` of its ambiguity group, then for
            each test its outcome, as `test.differs` (0, 1) whether that is another outcome than
            the good machine's, and for what is measured `test.reading`, in volts, amps or ohms
            (two numbers where the circuit does not hold still).
        groups: ambiguity groups, the undetected faults as one of them.
        weighted, unweighted: the figures, with faults by their priors and all alike.
        never_chosen: tests that no job comes to; see `diagnose.review.practice`.
        alike: pairs of parts that no test can tell apart in any mode.
        suggestion: volts that would split the likeliest group, None where none would.
    """

    machine: str
    tools: tuple[str, ...]
    tests: tuple[str, ...]
    d_matrix: pd.DataFrame
    groups: tuple[AmbiguityGroup, ...]
    weighted: Figures
    unweighted: Figures
    never_chosen: tuple[str, ...]
    alike: tuple[tuple[str, str], ...]
    suggestion: Suggestion | None = None

    def to_csv(self) -> str:
        """The D-matrix as CSV with a header."""
        text: str = self.d_matrix.to_csv(index_label="fault", lineterminator="\n")
        return text

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain lists and dictionaries, ready for JSON."""
        return {
            "machine": self.machine,
            "tools": list(self.tools),
            "tests": list(self.tests),
            "weighted": asdict(self.weighted),
            "unweighted": asdict(self.unweighted),
            "groups": [asdict(group) for group in self.groups],
            "never_chosen": list(self.never_chosen),
            "alike": [list(pair) for pair in self.alike],
            "suggestion": None if self.suggestion is None else asdict(self.suggestion),
            "d_matrix": self.d_matrix.reset_index(names="fault").to_dict(orient="records"),
        }


def review_machine(
    machine: str | Path | Machine,
    tools: Iterable[str] | None = None,
    progress: Progress | None = None,
) -> Review:
    """How well a machine's tests can find its faults.

    Args:
        machine: id of a shipped machine, path of a machine file, or a machine.
        tools: tools at hand; all of the machine's when None, bare hands when empty.
        progress: called with a sentence before each long step.

    Raises:
        UnknownNameError: no such machine or tool.
        MachineFileError: the file has problems.
        CircuitError, NetworkError: it cannot be solved.
    """
    return _reviews(prepare(machine, progress=progress), [tools], progress)[0]


def review_tool_sets(
    machine: str | Path | Machine,
    names: Iterable[str] = TOOL_SETS,
    progress: Progress | None = None,
) -> dict[str, Review]:
    """A review with each of some `TOOL_SETS`, the widest first; faster than one by one.

    Raises:
        DiagnoseError: as `review_machine`.
    """
    prepared, named = prepare(machine, progress=progress), tuple(names)
    known = prepared.machine.tools
    sets = [
        None if tools is None else [tool for tool in tools if tool in known]
        for tools in map(TOOL_SETS.__getitem__, named)
    ]
    return dict(zip(named, _reviews(prepared, sets, progress), strict=True))


def _reviews(
    prepared: Prepared, sets: Iterable[Iterable[str] | None], progress: Progress | None
) -> list[Review]:
    """Reviews with several sets of tools, each within the one before."""
    table, steps, reviews = make_table(prepared.machine), None, []
    for tools in sets:
        at_hand = _tools(prepared.machine, tools)
        if progress is not None:
            shown = ", ".join(at_hand) or "bare hands"
            progress(f"{prepared.machine.id}: following jobs with {shown}")
        steps = follow_jobs(prepared, table, at_hand, steps)
        reviews.append(review_table(table, at_hand, set(steps.values())))
    return reviews


def _tools(machine: Machine, tools: Iterable[str] | None) -> tuple[str, ...]:
    wanted = tuple(machine.tools if tools is None else tools)
    for tool in wanted:
        if tool not in machine.tools:
            raise UnknownNameError("tool", tool, machine.tools)
    return tuple(tool for tool in wanted if tool != "none")


def review_table(table: OutcomeTable, tools: tuple[str, ...], rows_done: Collection[int]) -> Review:
    """The review of a machine whose tests have been solved for every single fault.

    Args:
        table: tests against single faults.
        tools: tools at hand.
        rows_done: rows of the tests that jobs came to.
    """
    rows = [row for row, test in enumerate(table.tests) if test.tool in (*tools, "none")]
    groups = find_groups(table, rows)
    tests = tuple(table.tests[row].id for row in rows)
    minutes = np.array(
        [isolation_minutes(table, rows, c) for c in range(len(table.explains))]
    ).reshape(len(table.explains), len(table.faults))[:, : table.n_listed]
    shares = table.explains[:, : table.n_listed]
    each = np.divide(shares, shares.sum(axis=0), out=np.zeros_like(shares), where=shares > 0.0)
    priors = table.priors[: table.n_listed]
    return Review(
        machine=table.machine.id,
        tools=tools,
        tests=tests,
        d_matrix=_d_matrix(table, rows, groups),
        groups=groups,
        weighted=_figures(table, groups, priors, priors * shares, minutes),
        unweighted=_figures(table, groups, np.ones(table.n_listed), each, minutes),
        never_chosen=tuple(table.tests[row].id for row in rows if row not in rows_done),
        alike=alike_parts(groups),
        suggestion=suggest(table, groups),
    )


def _figures(
    table: OutcomeTable,
    groups: tuple[AmbiguityGroup, ...],
    weights: NDArray[np.float64],
    shares: NDArray[np.float64],
    minutes: NDArray[np.float64],
) -> Figures:
    group_of = {fault: group for group in groups for fault in group.faults}
    listed = [group_of[fault] for fault in table.faults[: table.n_listed]]
    detected = np.array([group.detected for group in listed], dtype=bool)
    items = np.array([group.repair_items for group in listed], dtype=np.int64)
    counted = np.where(detected & ~np.isnan(minutes), shares, 0.0)
    return Figures(
        detected=_share(weights, detected),
        isolated=tuple(
            _share(weights[detected], items[detected] <= most) for most in range(1, MOST_ITEMS + 1)
        ),
        minutes_to_isolate=float((counted * np.nan_to_num(minutes)).sum())
        / (float(counted.sum()) or 1.0),
    )


def _share(weights: NDArray[np.float64], holds: NDArray[np.bool_]) -> float:
    """Weight of those for which it holds, of all; 0 when there is no weight at all."""
    return float(weights[holds].sum()) / (float(weights.sum()) or 1.0)


def _d_matrix(
    table: OutcomeTable, rows: list[int], groups: tuple[AmbiguityGroup, ...]
) -> pd.DataFrame:
    """See `Review.d_matrix`."""
    import pandas as pd  # noqa: PLC0415 - half a second that only analysts need

    order = [-1, *range(table.n_listed)]
    faults = [("", "good"), *table.faults[: table.n_listed]]
    group_of = {fault: group for group in groups for fault in group.faults}
    columns: dict[str, list[Any]] = {
        "part": [part for part, _ in faults],
        "mode": [mode for _, mode in faults],
        "per_1000_jobs": [
            0.0,
            *(table.machine.parts[part].modes[mode].per_1000_jobs for part, mode in faults[1:]),
        ],
        "detected": [0, *(int(group_of[fault].detected) for fault in faults[1:])],
        "repair_items": [0, *(group_of[fault].repair_items for fault in faults[1:])],
    }
    for row in rows:
        test, shown = table.tests[row], table.predicted[row]
        columns[test.id] = [test.outcomes[shown[fault]].id for fault in order]
        columns[f"{test.id}.differs"] = [int(shown[fault] != shown[-1]) for fault in order]
        if test.kind in MEASURED:
            columns[f"{test.id}.reading"] = [_reading(*table.readings[row, f]) for f in order]
    index = ["good", *(f"{part}.{mode}" for part, mode in faults[1:])]
    return pd.DataFrame(columns, index=pd.Index(index, name="fault"))


def _reading(first: float, second: float) -> str:
    """A reading to four digits, both values where they differ."""
    values = dict.fromkeys(f"{value + 0.0:.4g}" for value in (round(first, 6), round(second, 6)))
    return "/".join(values)
