"""Priors learnt from closed orders, laid over a machine; the machine's own file is never edited.

An `Overlay` names the machine, its version and the hash of its file, and says of each figure that
was learnt how sure it is. `Overlay.applied` gives the machine with those figures in place of the
file's. Nothing else of the machine changes, so whatever was solved of its circuit still holds.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

from diagnose.errors import PriorsMismatchError
from diagnose.machine.archive import frozen

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Area, Complaint, Machine, Mode, Part, SharedCause, Test

VERSION_DIGITS = 12
"""Digits of the hash that stand for an overlay in answers and tables."""

MOST_SLIPS = 60.0
"""A test that is written down wrong more often than this, in percent, is not worth doing."""

TEST, AREA, REPAIR = "test", "area", "repair"
"""What minutes are of; `Overlay.minutes` is keyed by one of these and an id."""


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something is at fault, per 1 000 jobs, and how sure that is.

    Attributes:
        per_1000_jobs: the figure.
        low, high: its 90 % interval.
        equivalent_cases: how many cases seen for certain it is worth.
        learnt: 1 less the share of the prior's variance that is left; below a half the figure is
            as good as the one shipped.
    """

    per_1000_jobs: float
    low: float
    high: float
    equivalent_cases: float = 0.0
    learnt: float = 0.0


@dataclass(frozen=True, slots=True)
class Group:
    """Modes that no test done tells apart: their sum is known, its split is the file's.

    Attributes:
        members: `part.mode` of each.
        rate: of their sum.
    """

    members: tuple[str, ...]
    rate: Rate


@dataclass(frozen=True, slots=True)
class Score:
    """How well later orders were foretold, by one measure.

    Attributes:
        title: of the measure.
        shipped: with the priors that were in use.
        refitted: with these.
    """

    title: str
    shipped: float
    refitted: float


@dataclass(frozen=True, slots=True)
class Bin:
    """Chances of about one size that were given to causes of later orders, and what came.

    Attributes:
        predicted: their mean, 0 to 1.
        observed: share of them that it was.
        low, high: where that share lies for chances that are meant, two standard errors.
        cases: how many chances.
    """

    predicted: float
    observed: float
    low: float
    high: float
    cases: int


@dataclass(frozen=True, slots=True)
class Judged:
    """What came of foretelling later orders; it changes no figure.

    Attributes:
        verdict: `adopt` or `keep`.
        reason: in one sentence.
        scores: by measure.
        calibration: by bin, the smallest chances first.
    """

    verdict: str
    reason: str
    scores: tuple[Score, ...] = ()
    calibration: tuple[Bin, ...] = ()


@dataclass(frozen=True, slots=True)
class Overlay:
    """Figures learnt from closed orders, for one version of one machine.

    Attributes:
        machine, machine_version, machine_hash: whose they are; the hash is that of its file.
        parent_hash: `content_hash` of the overlay that was in use before; empty for none.
        window_from, window_to: first and last day of the orders, ISO 8601.
        orders: orders that were used.
        rates: (part, mode) -> how often.
        causes: shared cause -> how often.
        factors: (cause, part, mode) -> how much the cause raises the mode.
        unlisted: complaint -> how often something that is not in the file gives it.
        words_fit_percent: complaint -> how often the customer who says so means it.
        slip_percent: kind of test -> how often the outcome written down is not the one there was,
            as the mean of the kind's tests; they keep their shares to each other.
        minutes: (`test`, id), (`area`, id) to open and close it, (`repair`, `part.repair`) ->
            minutes of labour.
        new_part_bad_per_1000: new parts that are bad themselves; None leaves the file's.
        not_identified: groups whose split is not known.
        judged: how they foretold later orders; None where nobody tried.
    """

    machine: str
    machine_version: str
    machine_hash: str
    parent_hash: str = ""
    window_from: str = ""
    window_to: str = ""
    orders: int = 0
    rates: Mapping[tuple[str, str], Rate] = field(default_factory=dict)
    causes: Mapping[str, Rate] = field(default_factory=dict)
    factors: Mapping[tuple[str, str, str], float] = field(default_factory=dict)
    unlisted: Mapping[str, Rate] = field(default_factory=dict)
    words_fit_percent: Mapping[str, float] = field(default_factory=dict)
    slip_percent: Mapping[str, float] = field(default_factory=dict)
    minutes: Mapping[tuple[str, str], float] = field(default_factory=dict)
    new_part_bad_per_1000: float | None = None
    not_identified: tuple[Group, ...] = ()
    judged: Judged | None = None

    @property
    def content_hash(self) -> str:
        """SHA-256 of its figures, hex; comments, order, and how it was judged do not count."""
        content = _plain(self)
        del content["judged"]
        return hashlib.sha256(_text(content).encode()).hexdigest()

    @property
    def version(self) -> str:
        """What answers and tables call it: the first digits of its hash."""
        return self.content_hash[:VERSION_DIGITS]

    def applied(self, machine: Machine) -> Machine:
        """The machine with these figures in place of its file's.

        Args:
            machine: as its file says, with no priors laid over it.

        Raises:
            PriorsMismatchError: they were made for another machine, version or file, or the
                machine has priors laid over it already.
        """
        self.check_made_for(machine)
        known = replace(
            machine,
            parts={name: self._part(part) for name, part in machine.parts.items()},
            shared_causes={n: self._cause(cause) for n, cause in machine.shared_causes.items()},
            complaints={n: self._complaint(one) for n, one in machine.complaints.items()},
            tests={name: self._test(machine, test) for name, test in machine.tests.items()},
            areas={name: self._area(area) for name, area in machine.areas.items()},
            priors_version=self.version,
        )
        bad = self.new_part_bad_per_1000
        if bad is None:
            return known
        return replace(known, shop=replace(machine.shop, new_part_bad_per_1000=bad))

    def minutes_alone(self) -> Overlay:
        """Its minutes alone: the file's rates, for who knows how long things take."""
        return Overlay(
            self.machine, self.machine_version, self.machine_hash, minutes=dict(self.minutes)
        )

    def check_made_for(self, machine: Machine) -> None:
        """Let a machine pass that the priors were made for.

        Raises:
            PriorsMismatchError: as `applied`.
        """
        made = (self.machine, self.machine_version, self.machine_hash)
        is_ = (machine.id, machine.version, machine.content_hash)
        if made != is_ or machine.priors_version:
            raise PriorsMismatchError(made, is_, machine.priors_version)

    def _part(self, part: Part) -> Part:
        modes = {name: self._mode(part.id, mode) for name, mode in part.modes.items()}
        repairs = tuple(
            replace(repair, minutes=self.minutes.get((REPAIR, f"{part.id}.{repair.id}"), m))
            for repair, m in ((repair, repair.minutes) for repair in part.repairs)
        )
        return replace(part, modes=modes, repairs=repairs)

    def _mode(self, part: str, mode: Mode) -> Mode:
        rate = self.rates.get((part, mode.id))
        return mode if rate is None else replace(mode, per_1000_jobs=rate.per_1000_jobs)

    def _cause(self, cause: SharedCause) -> SharedCause:
        """A shared cause; each raise is split by mode where a factor of it was learnt."""
        raises = []
        for known in cause.raises:
            named = {mode: self.factors.get((cause.id, known.part, mode)) for mode in known.modes}
            kept = tuple(mode for mode, factor in named.items() if factor is None)
            if kept:
                raises.append(replace(known, modes=kept))
            raises += [
                replace(known, modes=(mode,), factor=factor)
                for mode, factor in named.items()
                if factor is not None
            ]
        rate = self.causes.get(cause.id)
        per_1000 = cause.per_1000_jobs if rate is None else rate.per_1000_jobs
        return replace(cause, raises=tuple(raises), per_1000_jobs=per_1000)

    def _complaint(self, complaint: Complaint) -> Complaint:
        rate, words = self.unlisted.get(complaint.id), self.words_fit_percent.get(complaint.id)
        per_1000 = complaint.unlisted_per_1000 if rate is None else rate.per_1000_jobs
        fit = complaint.words_fit_percent if words is None else words
        return replace(complaint, unlisted_per_1000=per_1000, words_fit_percent=fit)

    def _test(self, machine: Machine, test: Test) -> Test:
        slip, known = test.slip_percent, self.slip_percent.get(test.kind)
        if known is not None:
            mean = 100.0 * mean_slip(machine, test.kind)
            slip = min(slip * known / mean, MOST_SLIPS) if mean > 0.0 else known
        minutes = self.minutes.get((TEST, test.id), test.minutes)
        return replace(test, minutes=minutes, slip_percent=slip)

    def _area(self, area: Area) -> Area:
        """An area; opening and closing keep their share of the minutes."""
        minutes, before = self.minutes.get((AREA, area.id)), area.open_minutes + area.close_minutes
        if minutes is None:
            return area
        share = area.open_minutes / before if before > 0.0 else 0.5
        return replace(area, open_minutes=minutes * share, close_minutes=minutes * (1.0 - share))


def mean_slip(machine: Machine, kind: str) -> float:
    """Mean share of slips of a machine's tests of a kind; 0 where it has none."""
    own = [test.slip_percent / 100.0 for test in machine.tests.values() if test.kind == kind]
    return sum(own) / len(own) if own else 0.0


def overlay_to_json(overlay: Overlay) -> str:
    """An overlay as one line of JSON, keys sorted; `overlay_from_json` gives an equal one back."""
    return _text(_plain(overlay))


def _text(content: Any) -> str:
    return json.dumps(content, sort_keys=True, allow_nan=False, separators=(",", ":"))


def overlay_from_json(text: str) -> Overlay:
    """The overlay that `overlay_to_json` wrote.

    Raises:
        ValueError, KeyError, TypeError: the text is none.
    """
    content = json.loads(text)
    for name in ("rates", "factors", "minutes"):
        content[name] = {tuple(key.split("/")): value for key, value in content[name].items()}
    made: Overlay = frozen(Overlay, content)
    return made


def _plain(value: Any) -> Any:
    """Nested dicts, lists, texts and numbers; names of several steps are joined by a slash."""
    if is_dataclass(value):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "items"):
        joined = (("/".join(k) if isinstance(k, tuple) else k, v) for k, v in value.items())
        return {key: _plain(item) for key, item in joined}
    return value
