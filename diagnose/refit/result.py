"""What refitting gave: figures with their intervals, as a table, a summary and an overlay."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from diagnose.faults.words import SHARE_OF_MACHINES, UNLISTED
from diagnose.machine.overlay import Group, Overlay, Rate
from diagnose.refit.counts import Z_90
from diagnose.refit.groups import HALF

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Machine
    from diagnose.refit.counts import Counted as Figure
    from diagnose.refit.evidence import Evidence
    from diagnose.refit.fit import Fitted, Scaled
    from diagnose.refit.groups import Together
    from diagnose.refit.patterns import Counted

SHOWN = 5
"""Rates that a summary names."""

LEARNT, IN_GROUP, AS_SHIPPED = "learnt", "only its group", "as shipped"
"""What is known of a rate."""

COLUMNS = (
    "part",
    "mode",
    "shipped_per_1000_jobs",
    "fitted_per_1000_jobs",
    "low",
    "high",
    "learnt",
    "group",
    "status",
)


@dataclass(frozen=True, slots=True, eq=False)
class Refit:
    """Parameters refitted from closed orders.

    Attributes:
        machine: as its file has it.
        parent: priors that were in use before; None for the file's own.
        window: first and last day of the orders, ISO 8601.
        counted: the patterns with how many orders tell each, and how many were set aside, by why.
        evidence: their likelihoods.
        fitted: rates as fitted, over those that were in use.
        known: the same, scaled to the sum that was in use.
        groups: modes that no test done tells apart.
        words: complaint -> share of customers whose words fit, of machines that do what they say;
            `raw` is the share of orders told so whose words fit.
        confusion: orders by the complaint told (rows) and first seen (columns).
        slips: kind of test -> share of outcomes written down that were others.
        minutes: (`test`, `area` or `repair`, id) -> minutes of labour.
        new_part_bad: share of new parts that were bad.
        comeback: share of machines that were soon back.
        warnings: sentences on what the orders cannot tell.
    """

    machine: Machine
    parent: Overlay | None
    window: tuple[str, str]
    counted: Counted
    evidence: Evidence
    fitted: Fitted
    known: Scaled
    groups: tuple[Together, ...]
    words: Mapping[str, Figure]
    confusion: pd.DataFrame
    slips: Mapping[str, Figure]
    minutes: Mapping[tuple[str, str], Figure]
    new_part_bad: Figure
    comeback: Figure
    warnings: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row for each mode, what is not listed by complaint, and each shared cause.

        A shared cause has no mode. `group` numbers the groups from 1 and is empty elsewhere; `low`
        and `high` are the 90 % interval.
        """
        names, unit = self.evidence.model.names, self._unit()
        group = self._group_of()
        rows = []
        for number, (part, mode) in enumerate(names):
            rate = self._rate(number)
            shipped = float(self.evidence.model.shipped[number]) * unit[number]
            rows.append(
                (
                    part, mode, shipped, rate.per_1000_jobs, rate.low, rate.high, rate.learnt,
                    group.get(number, ""), self._status(number, group),
                )
            )  # fmt: skip
        return pd.DataFrame(rows, columns=list(COLUMNS))

    def groups_frame(self) -> pd.DataFrame:
        """One row for each group: its members and the sum of their rates with its 90 % interval."""
        rows = [
            (
                str(number),
                " ".join(group.members),
                group.rate.per_1000_jobs,
                group.rate.low,
                group.rate.high,
                group.rate.learnt,
            )
            for number, group in enumerate(self._groups(), 1)
        ]
        names = ["group", "members", "fitted_per_1000_jobs", "low", "high", "learnt"]
        return pd.DataFrame(rows, columns=names)

    def counts_frame(self) -> pd.DataFrame:
        """One row for each figure that was counted: what, of which, value, interval, cases."""
        rows = [("words", name, figure) for name, figure in self.words.items()]
        rows += [("slips", name, figure) for name, figure in self.slips.items()]
        rows += [(f"minutes of {kind}", name, f) for (kind, name), f in self.minutes.items()]
        rows += [("new part bad", "", self.new_part_bad), ("comeback", "", self.comeback)]
        return pd.DataFrame(
            [(what, of, f.shipped, f.value, f.low, f.high, f.cases, f.raw) for what, of, f in rows],
            columns=["what", "of", "shipped", "value", "low", "high", "cases", "raw"],
        )

    def summary(self) -> str:
        """A few lines: what was used, what was learnt, what moved most."""
        table = self.to_frame()
        learnt = table["learnt"] >= HALF
        change = (table["fitted_per_1000_jobs"] / table["shipped_per_1000_jobs"]).map(log).abs()
        aside = ", ".join(f"{n} {why}" for why, n in self.counted.aside.items()) or "none"
        begun, ended = self.window
        lines = [
            f"{self.machine.id}: {self.evidence.orders} orders of {begun} to {ended}",
            f"different stories: {len(self.counted.patterns)}",
            f"set aside: {aside}",
            f"learnt: {int(learnt.sum())} of {len(table)} rates, {len(self.groups)} groups",
            f"spread of the rates around those in use: {self.fitted.spread:.2f}",
        ]
        order = change[learnt].sort_values(ascending=False).index[:SHOWN]
        lines += [
            f"  {row.part} {row.mode}: {row.shipped_per_1000_jobs:.3g} -> "
            f"{row.fitted_per_1000_jobs:.3g} per 1000 jobs ({row.low:.3g} to {row.high:.3g})"
            for row in table.loc[order].itertuples()
        ]
        return "\n".join([*lines, *self.warnings])

    def overlay(self) -> Overlay:
        """The figures as priors to lay over the machine.

        Words, slips and bad new parts are left as they are where their interval holds the file's
        figure: orders tell little of them, and advice changes with them by leaps.
        """
        names = self.evidence.model.names
        rates, causes, unlisted = {}, {}, {}
        for number, (part, mode) in enumerate(names):
            if number >= self.evidence.model.n_faults:
                causes[part] = self._rate(number)
            elif part == UNLISTED:
                unlisted[mode] = self._rate(number)
            else:
                rates[part, mode] = self._rate(number)
        before = self.parent
        words = dict(before.words_fit_percent) if before is not None else {}
        slips = dict(before.slip_percent) if before is not None else {}
        bad = before.new_part_bad_per_1000 if before is not None else None
        words |= {name: 100.0 * f.value for name, f in self.words.items() if _differs(f)}
        slips |= {kind: 100.0 * f.value for kind, f in self.slips.items() if _differs(f)}
        if _differs(self.new_part_bad):
            bad = self.new_part_bad.value * 1000.0
        return Overlay(
            machine=self.machine.id,
            machine_version=self.machine.version,
            machine_hash=self.machine.content_hash,
            parent_hash=self.parent.content_hash if self.parent is not None else "",
            window_from=self.window[0],
            window_to=self.window[1],
            orders=self.evidence.orders,
            rates=rates,
            causes=causes,
            factors=self._factors(),
            unlisted=unlisted,
            words_fit_percent=words,
            slip_percent=slips,
            minutes=self._minutes(),
            new_part_bad_per_1000=bad,
            not_identified=tuple(self._groups()),
        )

    def factors_frame(self) -> pd.DataFrame:
        """One row for each factor that was fitted: by how much a shared cause raises modes.

        `modes` are joined by blanks; `low` and `high` are the 90 % interval.
        """
        model, known = self.evidence.model, self.known
        rows = []
        for place, (cause, modes) in enumerate(model.raises, model.n_rates):
            shipped = float(model.factor[cause, modes[0]])
            wide = Z_90 * sqrt(float(known.covariance[place, place]))
            off = float(known.log_ratio[place])
            fitted, low, high = (shipped * exp(off + side * wide) for side in (0.0, -1.0, 1.0))
            part = model.faults[modes[0]][0]
            named = " ".join(model.faults[mode][1] for mode in modes)
            learnt = float(known.learnt[place])
            rows.append((model.causes[cause], part, named, shipped, fitted, low, high, learnt))
        names = ["cause", "part", "modes", "shipped", "fitted", "low", "high", "learnt"]
        return pd.DataFrame(rows, columns=names)

    def _factors(self) -> dict[tuple[str, str, str], float]:
        """Factors as an overlay has them: those that were learnt, and those in use before."""
        found = dict(self.parent.factors) if self.parent is not None else {}
        for row in self.factors_frame().to_dict("records"):
            if row["learnt"] >= HALF:
                found |= {
                    (str(row["cause"]), str(row["part"]), mode): float(row["fitted"])
                    for mode in str(row["modes"]).split()
                }
        return found

    def _minutes(self) -> dict[tuple[str, str], float]:
        """Minutes as an overlay has them: an area's with closing it, as the file shares them."""
        found = {}
        for (kind, name), figure in self.minutes.items():
            minutes = figure.value
            if kind == "area":
                area = self.machine.areas[name]
                minutes *= 1.0 + area.close_minutes / max(area.open_minutes, 1e-9)
            found[kind, name] = minutes
        return found

    def _unit(self) -> np.ndarray:
        """(parameters,) what a probability is multiplied by to be counted by 1 000 jobs."""
        model = self.evidence.model
        return np.where(np.arange(model.n) < model.n_faults, 1000.0 / SHARE_OF_MACHINES, 1000.0)

    def _rate(self, number: int) -> Rate:
        variance = float(self.known.covariance[number, number])
        value = float(self.evidence.model.shipped[number] * self._unit()[number])
        value *= exp(float(self.known.log_ratio[number]))
        return _rate_of(value, variance, float(self.known.learnt[number]))

    def _groups(self) -> list[Group]:
        model, found = self.evidence.model, []
        for group in self.groups:
            total = sum(self._rate(number).per_1000_jobs for number in group.members)
            members = tuple(".".join(model.names[number]) for number in group.members)
            found.append(Group(members, _rate_of(total, group.log_sum_variance, group.learnt)))
        return found

    def _group_of(self) -> dict[int, str]:
        return {
            member: str(place)
            for place, group in enumerate(self.groups, 1)
            for member in group.members
        }

    def _status(self, number: int, group: Mapping[int, str]) -> str:
        if self.known.learnt[number] >= HALF:
            return LEARNT
        return IN_GROUP if number in group else AS_SHIPPED


def _differs(figure: Figure) -> bool:
    """Whether a figure is surely another one than shipped."""
    return figure.cases > 0 and not figure.low <= figure.shipped <= figure.high


def _rate_of(value: float, log_variance: float, learnt: float) -> Rate:
    """A rate with its 90 % interval; it is worth the cases that would leave as much unknown."""
    wide = exp(Z_90 * sqrt(log_variance))
    return Rate(value, value / wide, value * wide, 1.0 / log_variance, learnt)
