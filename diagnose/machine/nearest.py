"""Names that are not in their list, and the nearest that is: looked for once all is known.

Comparing two names takes microseconds, and a file may misspell thousands of names against
thousands of others. So the nearest name is looked for only for the problems that are shown, and
among the names that share most pairs of letters with the one met.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING

from diagnose.errors import MOST_SHOWN, Problem, nearest_name

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

MOST_COMPARED = 40
"""Names that are compared letter by letter with the one met."""

LONGEST_COMPARED = 80
"""Letters of a name for which a nearest one is looked for; a longer text is no misspelt name."""

LEAST_ALIKE = 0.35
"""Share of pairs of letters that two phrases have in common when one may mean the other."""

LONGEST_SHOWN = 60
"""Letters of what was met that a message repeats."""

LONGEST_MESSAGE = 600
MOST_LISTED = 12


def shown(met: object) -> str:
    """What was met, in quotes and not longer than a line of a message can bear."""
    text = met if isinstance(met, str) else repr(met)
    cut = text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
    return repr(cut) if isinstance(met, str) else cut


def nearest_of(met: str, valid: Collection[str]) -> str | None:
    """The valid name that looks most like `met`, or None when nothing is close.

    Takes time in proportion to the letters of `valid`.
    """
    return Names(valid).nearest(met)


class Names:
    """Valid names, taken apart once for many that are looked for among them."""

    def __init__(self, valid: Collection[str]) -> None:
        """Take apart what may be met; names too long to be compared are left out."""
        self._few = len(valid) <= MOST_COMPARED
        short = (name for name in valid if len(name) <= LONGEST_COMPARED)
        self._names = [(name, frozenset[str]() if self._few else _pairs(name)) for name in short]

    def nearest(self, met: str) -> str | None:
        """The name that looks most like `met`, or None when nothing is close."""
        if len(met) > LONGEST_COMPARED:
            return None
        if self._few:
            return nearest_name(met, [name for name, _ in self._names])
        pairs = _pairs(met)
        alike = ((_alike(pairs, others), name) for name, others in self._names)
        return nearest_name(met, [name for _, name in heapq.nlargest(MOST_COMPARED, alike)])

    def several(self, met: str, most: int) -> tuple[str, ...]:
        """The names that share most pairs of letters with `met`, the nearest first.

        Cheaper than `nearest`: for words of which there are many, none of them misspelt.
        """
        pairs = _pairs(met[:LONGEST_COMPARED])
        alike = ((_alike(pairs, others or _pairs(name)), name) for name, others in self._names)
        near = heapq.nlargest(most, (pair for pair in alike if pair[0] >= LEAST_ALIKE))
        return tuple(name for _, name in near)


def _pairs(name: str) -> frozenset[str]:
    """Neighbouring letters, its ends included."""
    return frozenset(a + b for a, b in zip(f" {name}", f"{name} ", strict=True))


def _alike(pairs: frozenset[str], others: frozenset[str]) -> float:
    """Share of neighbouring letters in common (Dice 1945)."""
    return 2.0 * len(pairs & others) / (len(pairs) + len(others))


@dataclass(frozen=True, slots=True)
class Misnamed(Problem):
    """A problem that becomes clearer with the nearest valid name; see `told`.

    Attributes:
        met: the name as given.
        valid: the names that are accepted.
        hint: words for the nearest name, with `{}` where it stands.
        otherwise: words where nothing is near.
        suffix: words after either.
    """

    met: str = ""
    valid: Collection[str] = field(default=(), compare=False)
    hint: str = "; nearest is '{}'"
    otherwise: str = ""
    suffix: str = ""

    def named(self, nearest: str | None) -> Problem:
        """The problem in its final words."""
        more = self.hint.format(nearest) if nearest else self.otherwise
        message = f"{self.message}{more}{self.suffix}"
        return Problem(self.line, self.column, message, self.rule, nearest)


def listed(valid: Collection[str]) -> str:
    """Words for what is expected: the first few names."""
    if not valid:
        return ""
    first = ", ".join(islice(valid, MOST_LISTED))
    return f"; expected one of {first}{', ...' if len(valid) > MOST_LISTED else ''}"


def told(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The problems in their final words, each once, sorted by place.

    The first `MOST_SHOWN` name the nearest valid name, as the others would not be shown anyway.
    """
    ordered = sorted(set(problems), key=lambda p: (p.line, p.column, p.message))
    known: dict[int, Names] = {}  # by identity: a section is one and the same for all its problems
    final = []
    for number, problem in enumerate(ordered):
        if isinstance(problem, Misnamed):
            nearest = None
            if number < MOST_SHOWN:
                valid = problem.valid
                nearest = _names(valid, known).nearest(problem.met)
            final.append(_cut(problem.named(nearest)))
        else:
            final.append(_cut(problem))
    return tuple(final)


def _names(valid: Collection[str], known: dict[int, Names]) -> Names:
    if id(valid) not in known:
        known[id(valid)] = Names(valid)
    return known[id(valid)]


def _cut(problem: Problem) -> Problem:
    """A problem whose message fits a screen."""
    if len(problem.message) <= LONGEST_MESSAGE:
        return problem
    message = f"{problem.message[: LONGEST_MESSAGE - 3]}..."
    return Problem(problem.line, problem.column, message, problem.rule, problem.nearest)
