"""How much a machine file may hold: counted before anything is made of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.errors import Problem
    from diagnose.machine.cost import Cost
    from diagnose.machine.document import Document, Path

MOST_CAUSES = 14
"""As in `diagnose.faults.priors`, which stands above and sums over every combination of them; a
test holds them together."""

MOST: Mapping[str, int] = {
    "nets": 8_000,
    "cautions": 500,
    "tools": 200,
    "areas": 500,
    "conditions": 100,
    "parts": 4_000,
    "shared_causes": MOST_CAUSES,
    "functions": 400,
    "complaints": 100,
    "tests": 4_000,
}
"""Section -> entries that it may have: some ten times what the largest machine known has."""

MOST_IN_ENTRY = 4_000
"""Items of one list or mapping inside an entry: a cause may raise every part."""

REMEDY: Mapping[str, str] = {
    "shared_causes": "join causes that raise the same parts, or leave out the rarest",
    "tests": "leave out tests that tell what others tell",
    "parts": "put parts that are renewed together into one, or make two machines of it",
}


def check_size(document: Document) -> Iterator[Problem]:
    """Sections and entries that hold more than any machine has."""
    for section, content in document.data.items():
        if not isinstance(content, dict):
            continue
        most = MOST.get(section)
        if most is not None and len(content) > most:
            remedy = REMEDY.get(section, "make two machines of it")
            message = f"met {len(content):,} entries; expected at most {most:,}: {remedy}"
            yield document.problem((section,), message, "too_large", key=True)
        for name, entry in content.items():
            yield from _long(document, entry, (section, name))


def _long(document: Document, value: Any, path: Path) -> Iterator[Problem]:
    if not isinstance(value, dict | list):
        return
    if len(value) > MOST_IN_ENTRY:
        message = f"met {len(value):,} items; expected at most {MOST_IN_ENTRY:,}"
        yield document.problem(path, message, "too_large", key=True)
    for step, item in value.items() if isinstance(value, dict) else enumerate(value):
        yield from _long(document, item, (*path, step))


def check_cost(document: Document, cost: Cost) -> Iterator[Problem]:
    """A machine that would take too long, or too much memory, to solve."""
    if not cost.too_large:
        return
    counts = cost.counts
    path: Path = (cost.section, cost.name) if cost.section else ("parts",)
    message = (
        f"a first start would take about {counts.seconds:,.0f} s and {counts.megabytes:,.0f} MB "
        f"({counts.faults:,} failure modes in {counts.rigs:,} circuits of {counts.nets:,} nets, "
        f"2^{counts.causes} combinations of causes); {what_helps(cost)}"
    )
    yield document.problem(path, message, "too_large", key=True)


def what_helps(cost: Cost) -> str:
    """What makes a machine dear, in words."""
    noun = {"parts": "part", "tests": "test", "shared_causes": "shared cause"}.get(cost.section, "")
    most = f"the {noun} {cost.name!r}"
    if cost.saved >= LARGE_SHARE:
        return f"{most} is {100.0 * cost.saved:.0f} % of that: leave it out or make it simpler"
    return (
        f"no entry alone makes it dear, {most} most: leave out tests that connect something of "
        "their own (lamp, load test, bridge, substitute), or make two machines of it"
    )


LARGE_SHARE = 0.1
"""Share of the cost from which on one entry is said to make a machine dear."""
