"""The likelihood of all orders as a function of the rates, with its slope.

    ln L = sum_o [ln sum_S L_o(S) P(S) - ln D],   D = sum_S P(S) sum_c P(complaint c | S)

An order exists only because somebody complained, so its probability is over that of any complaint;
where several complaints fit a machine it is brought in so much more often.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.faults.outcomes import complaint_chances, wording
from diagnose.faults.priors import padded
from diagnose.refit.kernels import UNIT, joint_of, pass_over, spread_of
from diagnose.refit.model import Masses, at_rates, slope

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.faults.solved import SolvedSets
    from diagnose.refit.likelihood import Row
    from diagnose.refit.model import Point, RateModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All patterns of a machine, ready to be gone over at any rates.

    Attributes:
        model: of the rates.
        members, own: fault sets, as `diagnose.refit.kernels.joint_of` takes them; those of the
            base come first.
        kept: (sets,) chance that an order about them is in the records at all; 0 beyond the base.
        comes: (sets,) that, times the sum of the chances of all complaints.
        about: (findings about causes, free combinations) each different factor; all ones first.
        start, column, like: the patterns, as `diagnose.refit.kernels.pass_over` takes them; a
            column is the fault set's place in `set_of`.
        set_of, about_of: (columns,) fault set, and which of `about`.
        of: (patterns,) which of the rows it was made of each is.
        counts: (patterns,) orders of each.
        log_scale: (patterns,) to be added to each logarithm.
        left_out: (patterns,) see `diagnose.refit.likelihood.Row`.
    """

    model: RateModel
    members: Ints
    own: Ints
    kept: Floats
    comes: Floats
    about: Floats
    start: Ints
    column: Ints
    like: Floats
    set_of: Ints
    about_of: Ints
    of: Ints
    counts: Ints
    log_scale: Floats
    left_out: Floats

    @property
    def orders(self) -> int:
        """How many."""
        return int(self.counts.sum())


@dataclass(frozen=True, slots=True, eq=False)
class Passed:
    """One pass.

    Attributes:
        log_likelihood: of all orders, given that they came.
        whole: the same of the patterns alone, as the whole number that was added up.
        slope: (parameters,) its derivatives by the logarithms of the rates.
        each: (patterns,) natural logarithm of the probability of each, given that it came.
        comes: expected number of complaints about a machine standing about.
    """

    log_likelihood: float
    whole: int
    slope: Floats
    each: Floats
    comes: float


def make_evidence(
    sets: SolvedSets, model: RateModel, rows: Sequence[Row], counts: Sequence[int]
) -> Evidence:
    """Put the rows of patterns together; those that nothing explains are left out.

    Args:
        sets: of the machine.
        model: of its rates.
        rows: of the patterns.
        counts: orders of each.
    """
    solved = sets.now()
    number = {solved.faults(row): row for row in range(solved.n_base)}
    possible = [(row, int(n)) for row, n in zip(rows, counts, strict=True) if row.sets]
    for row, _ in possible:
        for faults in row.sets:
            number.setdefault(faults, len(number))
    members = padded(list(number), model.n_faults)
    whole = tuple(np.ones(1 << model.n_free).tolist())
    kinds: dict[tuple[float, ...], int] = {whole: 0}
    pairs: dict[tuple[int, int], int] = {}
    start, column, like = [0], [], []
    for row, _ in possible:
        kind = kinds.setdefault(tuple(row.free.tolist()), len(kinds))
        column += [pairs.setdefault((number[s], kind), len(pairs)) for s in row.sets]
        like.append(row.like)
        start.append(len(column))
    table = np.array(list(pairs), dtype=np.int64).reshape(-1, 2)
    comes, kept = np.zeros(len(members)), np.zeros(len(members))
    comes[: solved.n_base], kept[: solved.n_base] = complaints_of(sets), 1.0
    return Evidence(
        model=model,
        members=members,
        own=_own(model, members),
        kept=kept,
        comes=comes,
        about=np.array(list(kinds)),
        start=np.array(start, dtype=np.int64),
        column=np.array(column, dtype=np.int64),
        like=np.concatenate([np.zeros(0), *like]),
        set_of=table[:, 0].copy(),
        about_of=table[:, 1].copy(),
        of=np.flatnonzero([bool(row.sets) for row in rows]),
        counts=np.array([n for _, n in possible], dtype=np.int64),
        log_scale=np.array([row.log_scale for row, _ in possible]),
        left_out=np.array([row.left_out for row, _ in possible]),
    )


def complaints_of(sets: SolvedSets) -> Floats:
    """(base,) sum over the complaints of the chance that each is made."""
    solved, behaviour = sets.now(), sets.behaviour
    rows = np.arange(solved.n_base)
    found = np.zeros(len(rows))
    for name in behaviour.machine.complaints:
        values = solved.readings(behaviour.column[name], rows)
        found += complaint_chances(values, wording(behaviour.machine, name))[:, 0]
    return found


def _own(model: RateModel, members: Ints) -> Ints:
    """(sets,) bits of the causes that are some failure in the set."""
    triggers = np.concatenate(
        [model.triggers, np.zeros((len(model.causes), 1), dtype=bool)], axis=1
    )
    own = np.zeros(len(members), dtype=np.int64)
    for place in range(model.n_free, len(model.causes)):
        own |= triggers[place][members].any(axis=1).astype(np.int64) << place
    return own


def joint(evidence: Evidence, point: Point) -> Floats:
    """(sets, free combinations) probability of each set with each combination."""
    found = np.empty((len(evidence.members), len(point.free)))
    joint_of(evidence.members, evidence.own, point.free, point.good, point.odds, found)
    return found


def run_pass(evidence: Evidence, log_ratio: Floats, counts: Ints | None = None) -> Passed:
    """Go over all patterns at some rates.

    Args:
        evidence: the patterns.
        log_ratio: (parameters,) logarithms of the rates over the shipped ones.
        counts: (patterns,) other counts, e.g. of a part of the orders.
    """
    own = evidence.counts if counts is None else counts
    point = at_rates(evidence.model, log_ratio)
    table = joint(evidence, point)
    by_kind = np.einsum("sk,ak->as", table, evidence.about)
    chance = by_kind[evidence.about_of, evidence.set_of]
    shares, each = np.zeros(len(chance), dtype=np.int64), np.empty(len(own))
    total = pass_over(evidence.start, evidence.column, evidence.like, own, chance, shares, each)
    comes = float(np.einsum("sk,s->", table, evidence.comes))
    weight = np.zeros_like(table)
    speaks = shares / UNIT / np.maximum(chance, 1e-300)
    for kind, factor in enumerate(evidence.about):
        held = evidence.about_of == kind
        weight[evidence.set_of[held]] += speaks[held][:, None] * factor
    orders = int(own.sum())
    weight -= (orders / comes * evidence.comes)[:, None]
    masses = _masses(evidence, table, weight)
    scales = float(np.dot(own.astype(np.float64), evidence.log_scale))
    return Passed(
        log_likelihood=total / UNIT + scales - orders * float(np.log(comes)),
        whole=int(total),
        slope=slope(evidence.model, point, masses),
        each=each + evidence.log_scale - float(np.log(comes)),
        comes=comes,
    )


def entry_weights(evidence: Evidence, log_ratio: Floats) -> tuple[Ints, Floats]:
    """(entries,) pattern of each entry, and the chance of its fault set given the pattern.

    Args: as of `run_pass`.
    """
    table = joint(evidence, at_rates(evidence.model, log_ratio))
    by_kind = np.einsum("sk,ak->as", table, evidence.about)
    chance = by_kind[evidence.about_of, evidence.set_of]
    weight = evidence.like * chance[evidence.column]
    row = np.repeat(np.arange(len(evidence.counts)), np.diff(evidence.start))
    weight /= np.bincount(row, weight, len(evidence.counts))[row]
    return row, weight


def _masses(evidence: Evidence, table: Floats, weight: Floats) -> Masses:
    model = evidence.model
    n, parts = 1 << len(model.causes), int(model.part_of.max()) + 1
    found = Masses(np.zeros(n), np.zeros((parts, n)), np.zeros((model.n_faults, n)))
    spread_of(
        table, evidence.members, evidence.own, model.part_of, weight,
        found.all_of, found.by_part, found.by_fault,
    )  # fmt: skip
    return found
