"""Reviews as Markdown, and where they stand in a document."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.errors import RequestError
from diagnose.review.suggest import in_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from diagnose.machine.model import Machine
    from diagnose.review.review import Review

BEGIN = "<!-- review tables: begin -->"
END = "<!-- review tables: end -->"

WORDS = {"all": "every tool", "meter": "lamp and meter", "lamp": "lamp only"}
"""Sets of tools in words, in the order of the rows."""

FIGURES = (
    "faults detected",
    "isolated to 1 repair item",
    "to at most 2",
    "to at most 3",
    "minutes to isolate",
    "tests never chosen",
)
HEAD = (f"| tools | tests | {' | '.join(FIGURES)} |", "|---|--:" + "|--:" * len(FIGURES) + "|")


def machine_section(machine: Machine, reviews: Mapping[str, Review]) -> str:
    """Figures of one machine with each set of tools, then what every tool leaves open.

    Args:
        machine: the machine.
        reviews: by name of the set of tools.
    """
    modes = sum(len(part.modes) - 1 for part in machine.parts.values())
    counted = f"{len(machine.parts)} parts, {modes} failure modes, {len(machine.tests)}"
    lines = [
        f"### {machine.id}",
        "",
        f"{machine.title}: {counted} tests. Contents {machine.content_hash[:12]}.",
        "",
        *HEAD,
        *(_row(WORDS[name], review) for name, review in reviews.items()),
        "",
        *_left_open(_widest(reviews)),
    ]
    return "\n".join(lines) + "\n"


def plain_text(machine: Machine, reviews: Mapping[str, Review]) -> str:
    """The same for a terminal."""
    lines = [machine.title, "  by priors, and (all faults alike)"]
    for name, review in reviews.items():
        lines += ["", f"{WORDS[name]}, {len(review.tests)} tests"]
        cells = _cells(review)
        lines += [f"  {head:<30} {cell:>16}" for head, cell in zip(FIGURES, cells, strict=True)]
    lines += ["", f"With {WORDS[next(iter(reviews))]}:"]
    widest = _widest(reviews)
    lines += [line.replace("`", "") for line in _left_open(widest)]
    if widest.suggestion is not None:
        lines.append(f"- {in_words(machine, widest.suggestion)}")
    return "\n".join(lines) + "\n"


def _widest(reviews: Mapping[str, Review]) -> Review:
    return next(iter(reviews.values()))


def _row(words: str, review: Review) -> str:
    cells = [words, f"{len(review.tests)}", *_cells(review)]
    return f"| {' | '.join(cells)} |"


def _cells(review: Review) -> list[str]:
    """The figures of `FIGURES`, by priors and in brackets with all faults alike."""
    pairs = [
        (review.weighted.detected, review.unweighted.detected),
        *zip(review.weighted.isolated, review.unweighted.isolated, strict=True),
    ]
    minutes = review.weighted.minutes_to_isolate, review.unweighted.minutes_to_isolate
    return [
        *(f"{percent(first)} ({percent(second)})" for first, second in pairs),
        f"{minutes[0]:.1f} ({minutes[1]:.1f})",
        f"{len(review.never_chosen)}",
    ]


def percent(share: float) -> str:
    """A share in whole percent, never rounded up to all or down to none."""
    if 0.0 < share < 1.0:
        return f"{min(max(round(100.0 * share), 1), 99)} %"
    return f"{round(100.0 * share)} %"


def _left_open(review: Review) -> list[str]:
    """Lists of what stays undetected, ambiguous or unused with these tools."""
    undetected = [
        _fault(fault) for group in review.groups if not group.detected for fault in group.faults
    ]
    ambiguous = [
        ", ".join(map(_fault, group.faults))
        for group in review.groups
        if group.detected and group.repair_items > 1
    ]
    alike = [f"{_code(first)} and {_code(second)}" for first, second in review.alike]
    return [
        *_listed("Not detected", undetected, ", "),
        *_listed("Ambiguity groups of more than one repair item", ambiguous, "; "),
        *_listed("Parts that no test tells apart", alike, "; "),
        *_listed("Tests that no job comes to", map(_code, review.never_chosen), ", "),
    ]


def _fault(fault: tuple[str, str]) -> str:
    return _code(".".join(fault))


def _code(name: str) -> str:
    return f"`{name}`"


def _listed(title: str, items: Iterable[str], between: str) -> list[str]:
    return [f"- {title}: {between.join(items) or 'none'}."]


def insert_tables(document: str, tables: str) -> str:
    """The document with the text between the two markers replaced by `tables`.

    Raises:
        RequestError: it does not have each marker once, in order.
    """
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end or document.count(BEGIN) != 1 or document.count(END) != 1:
        raise RequestError(f"expected one `{BEGIN}` and, after it, one `{END}`")
    return f"{before}{BEGIN}\n\n{tables.strip()}\n\n{END}{after}"


def tables_of(document: str) -> str:
    """The text between the two markers, empty when they are not there."""
    return document.partition(BEGIN)[2].partition(END)[0].strip()
