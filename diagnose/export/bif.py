"""The network for other programs: as a pgmpy object and as a BIF file.

BIF is the interchange format for Bayesian networks (Hulten & Domingos 2003), which most libraries
in the field read. Nodes keep the ids of parts, tests and complaints; states keep the ids of modes
and outcomes.
"""

from __future__ import annotations

import re
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import NetworkError
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from diagnose.inference.families import Family, Network

BIF_WORDS = frozenset(
    {"network", "variable", "probability", "type", "discrete", "property", "table", "default"}
)
"""Words of the format itself, which cannot name anything."""

_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")


def to_pgmpy(network: Network) -> Any:
    """The network as a pgmpy `DiscreteBayesianNetwork` that passes its `check_model()`.

    pgmpy takes some seconds to import, so that is done here and not before.
    """
    from pgmpy.factors.discrete import TabularCPD  # noqa: PLC0415
    from pgmpy.models import DiscreteBayesianNetwork  # noqa: PLC0415

    model = DiscreteBayesianNetwork()
    model.add_nodes_from([family.node for family in network.families])
    model.add_edges_from([(p, family.node) for family in network.families for p in family.parents])
    states = {family.node: list(family.states) for family in network.families}
    for family in network.families:
        own = len(family.states)
        model.add_cpds(
            TabularCPD(
                family.node,
                own,
                np.moveaxis(family.table, -1, 0).reshape(own, -1),
                evidence=list(family.parents) or None,
                evidence_card=list(family.table.shape[:-1]) or None,
                state_names={name: states[name] for name in (family.node, *family.parents)},
            )
        )
    return model


def write_bif(network: Network, path: str | Path) -> None:
    """Writes the network as a BIF file; see `bif_text`.

    Raises:
        NetworkError: a name that the format cannot carry.
        OSError: the file cannot be written.
    """
    write_whole(path, bif_text(network))


def bif_text(network: Network) -> str:
    """The network in BIF, every number with all digits that tell it from its neighbours.

    Raises:
        NetworkError: a name of a node or state that is no plain word, or a word of the format.
    """
    states = {family.node: family.states for family in network.families}
    lines = ["network machine {", "}"]
    for family in network.families:
        _check_names(family)
        lines += [
            f"variable {family.node} {{",
            f"  type discrete [ {len(family.states)} ] {{ {', '.join(family.states)} }};",
            "}",
        ]
    for family in network.families:
        lines += _probability(family, states)
    return "\n".join(lines) + "\n"


def _probability(family: Family, states: Mapping[str, tuple[str, ...]]) -> Iterator[str]:
    """The table of one family: a row of numbers for each combination of its parents' states."""
    if not family.parents:
        yield f"probability ( {family.node} ) {{"
        yield f"  table {_numbers(family.table.tolist())};"
    else:
        yield f"probability ( {family.node} | {', '.join(family.parents)} ) {{"
        rows = family.table.reshape(-1, len(family.states)).tolist()
        combinations = product(*(states[parent] for parent in family.parents))
        for names, row in zip(combinations, rows, strict=True):
            yield f"  ({', '.join(names)}) {_numbers(row)};"
    yield "}"


def _numbers(row: list[float]) -> str:
    """Python's shortest text that reads back as the same double; whole numbers without a point."""
    return ", ".join(repr(number).removesuffix(".0") for number in row)


def _check_names(family: Family) -> None:
    for name in (family.node, *family.states):
        if not _WORD.fullmatch(name) or name in BIF_WORDS:
            raise NetworkError(f"{family.node}: {name!r} cannot be a name in a BIF file", name)
