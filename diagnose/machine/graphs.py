"""Graphs of a machine file as far as its checks need them, in time that grows with their edges.

Sound files take none of the slow paths: only what goes in a circle is handed to networkx, whose
import alone takes longer than checking a file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


class Groups:
    """Names that are joined to one another, directly or by way of others."""

    def __init__(self, edges: Iterable[tuple[str, str]] = ()) -> None:
        """Join the two names of each edge."""
        self._above: dict[str, str] = {}
        for first, second in edges:
            self.join(first, second)

    def of(self, name: str) -> str:
        """The name that stands for the group of this one."""
        above = self._above
        while above.setdefault(name, name) != name:
            above[name] = above[above[name]]
            name = above[name]
        return name

    def join(self, first: str, second: str) -> bool:
        """Join two names; False where they were joined already."""
        one, other = self.of(first), self.of(second)
        self._above[one] = other
        return one != other

    def names(self) -> Mapping[str, str]:
        """Every name met -> the one that stands for its group."""
        return {name: self.of(name) for name in list(self._above)}


def circles(needs: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """One circle of each knot of names that need each other, in the order of need."""
    left = _in_circles(needs)
    if not left:
        return []
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.DiGraph()
    graph.add_edges_from((name, other) for name in left for other in needs[name] if other in left)
    order = {name: number for number, name in enumerate(needs)}
    found = []
    for group in nx.strongly_connected_components(graph):
        first = min(group, key=order.__getitem__)
        if len(group) > 1 or graph.has_edge(first, first):
            found.append([start for start, _ in nx.find_cycle(graph.subgraph(group), first)])
    return found


def _in_circles(needs: Mapping[str, Sequence[str]]) -> dict[str, None]:
    """Names that are left when those that need nothing more are taken out, again and again."""
    open_needs = {
        name: len([o for o in set(others) if o in needs]) for name, others in needs.items()
    }
    needed_by: dict[str, list[str]] = {}
    for name, others in needs.items():
        for other in set(others):
            needed_by.setdefault(other, []).append(name)
    ready = [name for name, number in open_needs.items() if number == 0]
    while ready:
        done = ready.pop()
        del open_needs[done]
        for name in needed_by.get(done, ()):
            open_needs[name] -= 1
            if open_needs[name] == 0:
                ready.append(name)
    return dict.fromkeys(open_needs)
