"""Named networks, random networks, and the same network in other libraries' objects."""

from __future__ import annotations

import gzip
from functools import cache
from importlib.resources import files

import numpy as np
from hypothesis import strategies as st

from diagnose.inference.families import Family, Network, from_pgmpy
from tests.inference.agrum import pyagrum


def network(*families: tuple) -> Network:
    """Each family as (node, states, parents, table)."""
    return Network(tuple(Family.build(*family) for family in families))


YES_NO = ("yes", "no")


def chain() -> Network:
    return network(
        ("a", YES_NO, (), [0.3, 0.7]),
        ("b", ("low", "mid", "high"), ("a",), [[0.2, 0.5, 0.3], [0.6, 0.1, 0.3]]),
        ("c", YES_NO, ("b",), [[0.9, 0.1], [0.4, 0.6], [0.0, 1.0]]),
        ("d", YES_NO, ("c",), [[0.75, 0.25], [0.1, 0.9]]),
    )


def fork() -> Network:
    return network(
        ("cause", ("x", "y", "z"), (), [0.5, 0.2, 0.3]),
        ("left", YES_NO, ("cause",), [[0.9, 0.1], [0.5, 0.5], [0.2, 0.8]]),
        ("right", YES_NO, ("cause",), [[0.3, 0.7], [0.8, 0.2], [0.6, 0.4]]),
    )


def collider() -> Network:
    return network(
        ("rain", YES_NO, (), [0.2, 0.8]),
        ("sprinkler", YES_NO, (), [0.1, 0.9]),
        ("wet", YES_NO, ("rain", "sprinkler"), [[[0.99, 0.01], [0.9, 0.1]], [[0.9, 0.1], [0, 1]]]),
    )


def asia() -> Network:
    """Lauritzen & Spiegelhalter 1988, "Local computations with probabilities on graphical
    structures and their application to expert systems", JRSS B 50(2), table on page 164."""
    return network(
        ("asia", YES_NO, (), [0.01, 0.99]),
        ("tub", YES_NO, ("asia",), [[0.05, 0.95], [0.01, 0.99]]),
        ("smoke", YES_NO, (), [0.5, 0.5]),
        ("lung", YES_NO, ("smoke",), [[0.1, 0.9], [0.01, 0.99]]),
        ("bronc", YES_NO, ("smoke",), [[0.6, 0.4], [0.3, 0.7]]),
        ("either", YES_NO, ("lung", "tub"), [[[1, 0], [1, 0]], [[1, 0], [0, 1]]]),
        ("xray", YES_NO, ("either",), [[0.98, 0.02], [0.05, 0.95]]),
        (
            "dysp",
            YES_NO,
            ("bronc", "either"),
            [[[0.9, 0.1], [0.8, 0.2]], [[0.7, 0.3], [0.1, 0.9]]],
        ),
    )


def worst_of_three() -> Network:
    """Deterministic tables: the class of a path is the worst class of its parts."""
    classes = ("good", "poor", "open")
    worst = np.zeros((3, 3, 3))
    for one in range(3):
        for two in range(3):
            worst[one, two, max(one, two)] = 1.0
    nest = [[0.97, 0.02, 0.01], [0.6, 0.2, 0.2]]
    return network(
        ("nest", ("no", "yes"), (), [0.9, 0.1]),
        ("fuse", classes, (), [0.98, 0.0, 0.02]),
        ("wire", classes, ("nest",), nest),
        ("joint", classes, ("nest",), nest),
        ("path1", classes, ("fuse", "wire"), worst),
        ("path2", classes, ("path1", "joint"), worst),
        ("lamp", YES_NO, ("path2",), [[0.99, 0.01], [0.5, 0.5], [0.01, 0.99]]),
        ("volts", ("12", "low", "0"), ("path1",), np.full((3, 3), 0.02) + 0.94 * np.eye(3)),
    )


def forest() -> Network:
    """Two trees, an isolated node, a node of one state and a state that cannot occur."""
    return network(
        ("alone", ("p", "q", "r"), (), [0.2, 0.3, 0.5]),
        ("only", ("sole",), (), [1.0]),
        ("a", YES_NO, (), [0.4, 0.6]),
        ("b", ("never", "u", "v"), ("a",), [[0, 0.2, 0.8], [0, 0.7, 0.3]]),
        ("c", YES_NO, ("b",), [[0.5, 0.5], [0.1, 0.9], [0.8, 0.2]]),
        ("x", YES_NO, (), [0.5, 0.5]),
        ("y", YES_NO, ("x",), [[1, 0], [0, 1]]),
    )


def single() -> Network:
    return network(("n", ("one", "two", "three"), (), [0.1, 0.2, 0.7]))


NAMED = {
    made.__name__: made for made in (chain, fork, collider, asia, worst_of_three, forest, single)
}


@cache
def published(name: str):
    """A network of the bnlearn repository as pgmpy ships it inside its package."""
    from pgmpy.readwrite import BIFReader  # noqa: PLC0415 - two seconds

    packed = files("pgmpy").joinpath(f"utils/example_models/{name}.bif.gz").read_bytes()
    return BIFReader(string=gzip.decompress(packed).decode()).get_model()


@cache
def published_network(name: str) -> Network:
    return from_pgmpy(published(name))


def to_pgmpy(net: Network):
    from pgmpy.factors.discrete import TabularCPD  # noqa: PLC0415
    from pgmpy.models import DiscreteBayesianNetwork  # noqa: PLC0415

    model = DiscreteBayesianNetwork()
    model.add_nodes_from([family.node for family in net.families])
    model.add_edges_from([(p, family.node) for family in net.families for p in family.parents])
    states = {family.node: list(family.states) for family in net.families}
    for family in net.families:
        card = len(family.states)
        table = np.moveaxis(family.table, -1, 0).reshape(card, -1)
        names = {name: states[name] for name in (family.node, *family.parents)}
        model.add_cpds(
            TabularCPD(
                family.node,
                card,
                table,
                evidence=list(family.parents) or None,
                evidence_card=[len(states[p]) for p in family.parents] or None,
                state_names=names,
            )
        )
    return model


def to_pyagrum(net: Network) -> pyagrum.BayesNet:
    """Its tables have their axes in the order `reversed(names)` and want C-contiguous arrays."""
    model = pyagrum.BayesNet()
    for family in net.families:
        model.add(pyagrum.LabelizedVariable(family.node, "", list(family.states)))
    for family in net.families:
        for parent in family.parents:
            model.addArc(parent, family.node)
    for family in net.families:
        cpt = model.cpt(family.node)
        held = [*family.parents, family.node]
        axes = [held.index(name) for name in reversed(cpt.names)]
        cpt[:] = np.ascontiguousarray(family.table.transpose(axes))
    return model


def by_names(tensor: pyagrum.Tensor, wanted: tuple[str, ...]) -> np.ndarray:
    """A pyAgrum tensor as an array with the axes wanted."""
    held = list(reversed(tensor.names))
    return np.asarray(tensor.toarray()).transpose([held.index(name) for name in wanted])


def bits(distribution: np.ndarray) -> float:
    held = distribution[distribution > 0.0]
    return float(-(held * np.log2(held)).sum())


def mutual_information(joint: np.ndarray) -> float:
    """I(all but the last axis; last axis) in bits: the textbook sum over the joint."""
    flat = joint.reshape(-1, joint.shape[-1])
    return bits(flat.sum(0)) + bits(flat.sum(1)) - bits(flat)


def sample(net: Network, rng: np.random.Generator) -> dict[str, str]:
    """One joint state drawn from the network, by name."""
    drawn: dict[str, int] = {}
    for place in net.topological_order:
        family = net.families[place]
        row = family.table[tuple(drawn[parent] for parent in family.parents)]
        drawn[family.node] = int(rng.choice(len(row), p=row))
    return {family.node: family.states[drawn[family.node]] for family in net.families}


@st.composite
def random_networks(draw: st.DrawFn, most_nodes: int = 7) -> Network:
    """Up to seven nodes of two to four states; tables with zeros, some deterministic."""
    count = draw(st.integers(1, most_nodes))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    density = draw(st.sampled_from([0.2, 0.5, 0.8]))
    cards = [draw(st.integers(2, 4 if count < 7 else 3)) for _ in range(count)]
    order = rng.permutation(count)
    families: list[Family | None] = [None] * count
    for position, node in enumerate(order):
        before = [int(p) for p in order[:position] if rng.random() < density][:3]
        shape = [cards[p] for p in before]
        table = _random_table(rng, shape, cards[node])
        families[node] = Family.build(
            f"n{node}",
            [f"s{state}" for state in range(cards[node])],
            [f"n{parent}" for parent in before],
            table,
        )
    return Network(tuple(family for family in families if family is not None))


def _random_table(rng: np.random.Generator, shape: list[int], card: int) -> np.ndarray:
    kind = rng.random()
    if kind < 0.3:  # deterministic
        return np.eye(card)[rng.integers(0, card, shape)]
    table = rng.dirichlet(np.ones(card), size=tuple(shape))
    if kind < 0.7:  # zeros here and there, never a whole row
        table = np.where(rng.random(table.shape) < 0.3, 0.0, table)
        table[..., 0] += table.sum(-1) == 0.0
    return table / table.sum(-1, keepdims=True)


def random_findings(
    net: Network, rng: np.random.Generator
) -> tuple[dict[str, str], dict[str, list[float]]]:
    """Hard findings drawn from the network itself, so that they are possible, and soft ones."""
    state = sample(net, rng)
    hard = {name: value for name, value in state.items() if rng.random() < 0.3}
    soft = {
        family.node: rng.uniform(0.05, 1.0, len(family.states)).tolist()
        for family in net.families
        if family.node not in hard
        and len(family.states) > 1  # pyAgrum takes weights with one positive entry as hard
        and rng.random() < 0.25
    }
    return hard, soft
