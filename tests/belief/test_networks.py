"""The same small machines as Bayesian networks, answered by other libraries.

The bale lift for pyAgrum: roots are causes, parts and how loose joints stand, every test is a
child of all of them, its table one solved circuit for each combination. A lamp on a bench for
pgmpy, before and after a repair, after Breese & Heckerman (1996): the repaired part anew,
everything seen after it once more.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pgmpy.factors.discrete import TabularCPD
from pgmpy.inference import VariableElimination
from pgmpy.models import DiscreteBayesianNetwork

from diagnose.belief.belief import believe
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.machine.load import load_machine
from diagnose.rule.prepared import Prepared, prepared
from tests.belief.enumeration import WAYS, Everything, bad_new_part
from tests.belief.lift import every, grow_everything, lift
from tests.inference.agrum import pyagrum

CLOSE = 1e-10
BENCH_LAMP = Path(__file__).parents[1] / "review" / "bench_lamp.yaml"


@pytest.fixture(autouse=True)
def everything_grown(monkeypatch: pytest.MonkeyPatch) -> None:
    grow_everything(monkeypatch)


@dataclass(frozen=True)
class Roots:
    """Parts as variables.

    Attributes:
        kind: the machine.
        modes: part -> its modes, `unlisted` among the parts.
        row: row of the referee's sets for every combination of modes, in the order of the parts.
    """

    kind: Prepared
    every: Everything
    modes: dict[str, tuple[str, ...]]
    row: np.ndarray

    @classmethod
    def of(cls, kind: Prepared, everything: Everything) -> Roots:
        modes: dict[str, list[str]] = {}
        for part, mode in kind.faults:
            modes.setdefault(part, ["ok"]).append(mode)
        number = {fault: f for f, fault in enumerate(kind.faults)}
        combinations = itertools.product(*([(p, m) for m in own] for p, own in modes.items()))
        row = [
            everything.place[tuple(sorted(number[pm] for pm in combination if pm in number))]
            for combination in combinations
        ]
        shape = tuple(len(own) for own in modes.values())
        named = {part: tuple(own) for part, own in modes.items()}
        return cls(kind, everything, named, np.array(row).reshape(shape))

    def of_test(self, name: str) -> np.ndarray:
        """(ways, modes of each part ..., outcomes) of a test that asks about no cause."""
        return self.every.chances(self.kind.machine.tests[name])[:, 0][:, self.row]

    def told(self, complaint: str) -> np.ndarray:
        """(modes of each part ..., 2) whether a complaint is made, or not."""
        return self._yes_no(self.every.told(complaint))

    def shown(self, complaint: str, shown: str) -> np.ndarray:
        """(ways, modes of each part ..., 2) whether trying it shows something, or not."""
        (chance,) = self.every.checked(complaint, shown)
        return self._yes_no(chance)

    def _yes_no(self, chance: np.ndarray) -> np.ndarray:
        yes = chance[..., self.row]
        return np.stack([yes, 1.0 - yes], axis=-1)

    def of_reading(self, name: str, reading: float) -> np.ndarray:
        """(ways, modes of each part ..., 2) a number as a yes/no leaf, its density scaled."""
        test = self.kind.machine.tests[name]
        yes = self.every.densities(test, reading)[0][:, 0][:, self.row]
        return np.stack([yes / yes.max(), 1.0 - yes / yes.max()], axis=-1)

    def after(self, part: str, repair_id: str) -> np.ndarray:
        """(modes before, modes after) of a repair."""
        machine = self.kind.machine
        repair = next(r for r in machine.parts[part].repairs if r.id == repair_id)
        bad, own = bad_new_part(self.every, machine.parts[part], repair), self.modes[part]
        table = np.zeros((len(own), len(own)))
        for before, mode in enumerate(own):
            if mode not in (*repair.fixes, "ok"):
                table[before, before] = 1.0
                continue
            table[before, 0] = 1.0 - sum(bad.values())
            for (_, new), chance in bad.items():
                table[before, own.index(new)] = chance
        return table


@cache
def lift_roots() -> Roots:
    return Roots.of(lift(), every())


class Agrum:
    """A pyAgrum network that is put together node by node."""

    def __init__(self) -> None:
        self.net = pyagrum.BayesNet()

    def add(self, name: str, parents: tuple[str, ...], table: np.ndarray) -> None:
        """A node; the last axis of its table is its own, the others those of its parents."""
        n = table.shape[-1]
        self.net.add(pyagrum.LabelizedVariable(name, name, n))
        for parent in parents:
            self.net.addArc(parent, name)
        axes = [*parents, name]
        # pyAgrum's arrays have the axes of `cpt.names` from the last to the first.
        order = [axes.index(axis) for axis in reversed(self.net.cpt(name).names)]
        self.net.cpt(name)[:] = np.ascontiguousarray(table.transpose(order))


def lift_network(roots: Roots) -> Agrum:
    """Causes and parts of the bale lift, written down from its file."""
    net, machine = Agrum(), roots.kind.machine
    for cause in roots.every.causes:
        p = cause.per_1000_jobs / 1000.0
        net.add(cause.id, (), np.array([1.0 - p, p]))
    charger_first = sorted(machine.parts.values(), key=lambda part: part.id != "charger")
    for part in charger_first:
        parents, factors = [], []
        for cause in machine.shared_causes.values():
            raised = {m: r.factor for r in cause.raises if r.part == part.id for m in r.modes}
            if raised:
                parents.append(cause)
                factors.append([raised.get(mode, 1.0) for mode in roots.modes[part.id][1:]])
        base = np.array(
            [0.25 * part.modes[mode].per_1000_jobs / 1000.0 for mode in roots.modes[part.id][1:]]
        )
        for cause, factor in zip(parents, factors, strict=True):
            base /= 1.0 + roots.every.prior_of(cause) * (np.array(factor) - 1.0)
        table = np.zeros((*(2 for _ in parents), len(base) + 1))
        for present in itertools.product((0, 1), repeat=len(parents)):
            chance = base * np.prod(
                [np.array(f) ** there for there, f in zip(present, factors, strict=True)], axis=0
            )
            table[present] = [1.0 - chance.sum(), *chance]
        # The charger has one failure mode, which is the cause: its own states say if it is there.
        names = tuple(cause.id if cause.part is None else str(cause.part) for cause in parents)
        net.add(part.id, names, table)
    # 20 of 1 000 as for the machine, 30 for `slow_lift`; a quarter of it
    net.add("unlisted", (), np.array([1.0 - 0.0125, 0.005, 0.0075]))
    net.add("ways", (), np.array(WAYS))
    return net


def information(joint: np.ndarray) -> float:
    """Between the last axis and all others, bits."""
    joint = joint.reshape(-1, joint.shape[-1])
    apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    held = joint > 0.0
    return float((joint[held] * np.log2(joint[held] / apart[held])).sum())


def by_names(tensor: pyagrum.Tensor, names: tuple[str, ...]) -> np.ndarray:
    """A tensor with its axes in this order."""
    held = list(reversed(tensor.names))
    return tensor.toarray().transpose([held.index(name) for name in names])


def test_suspects_evidence_and_gains_against_pyagrum() -> None:
    roots, parts = lift_roots(), tuple(lift_roots().modes)
    situation = Situation(
        "no_lift",
        (
            Finding("pilot", "dim"),
            Finding("battery_rest", "low", 12.05),
            Finding("look_damp", "found"),
            Finding("ask_charging", "not_found"),
            Finding("try_it", "no_lift"),
            Finding("held_volts", "not_possible"),
        ),
    )
    net = lift_network(roots)
    net.add("told", parts, roots.told("no_lift"))
    net.add("volts", ("ways", *parts), roots.of_reading("battery_rest", 12.05))
    for name in ("pilot", "motor_volts", "ground_drop", "listen", "try_it", "held_volts"):
        net.add(name, ("ways", *parts), roots.of_test(name))
    there = (1.0 - 0.02) * np.array([[0.0, 1.0], [0.85, 0.15]]) + 0.01
    for name, cause in (("look_damp", "damp"), ("ask_charging", "charger")):
        net.add(name, (cause,), there)
    engine = pyagrum.LazyPropagation(net.net)
    seen = {"told": 0, "volts": 0, "pilot": 1, "look_damp": 0, "ask_charging": 1}
    engine.setEvidence({**seen, "try_it": 1, "held_volts": 2})
    asked = ("motor_volts", "ground_drop", "listen")
    for name in asked:
        engine.addJointTarget({name, *parts})
    engine.makeInference()
    belief = believe(lift().sets, situation)
    for fault, (part, mode) in enumerate(lift().faults):
        wanted = engine.posterior(part)[roots.modes[part].index(mode)]
        assert belief.survey.faults[fault] == pytest.approx(wanted, abs=CLOSE)
    most = roots.every.densities(lift().machine.tests["battery_rest"], 12.05)[0].max()
    wanted = math.log(engine.evidenceProbability()) + math.log(most)
    assert belief.log_evidence == pytest.approx(wanted, abs=CLOSE)
    for name in asked:
        joint = by_names(engine.jointPosterior({name, *parts}), (*parts, name))
        number = list(lift().machine.tests).index(name)
        assert belief.survey.gain_bits[number] == pytest.approx(information(joint), abs=CLOSE)


def test_after_a_repair_against_pyagrum() -> None:
    roots, parts = lift_roots(), tuple(lift_roots().modes)
    situation = Situation(
        "no_lift",
        (Finding("fuse_lamp", "dark"), Finding("motor_volts", "none")),
        past=(
            Epoch(
                (Finding("fuse_lamp", "dark"), Finding("look_nest", "found")),
                RepairDone("fuse", "replace", "no_lift"),
            ),
        ),
    )
    net, now = lift_network(roots), tuple("new_fuse" if p == "fuse" else p for p in parts)
    net.add("new_fuse", ("fuse",), roots.after("fuse", "replace"))
    net.add("told", parts, roots.told("no_lift"))
    net.add("before", ("ways", *parts), roots.of_test("fuse_lamp"))
    net.add("nest_seen", ("nest",), 0.98 * np.array([[0.0, 1.0], [0.85, 0.15]]) + 0.01)
    net.add("check", ("ways", *now), roots.shown("no_lift", "no_lift"))
    net.add("after", ("ways", *now), roots.of_test("fuse_lamp"))
    net.add("motor_volts", ("ways", *now), roots.of_test("motor_volts"))
    engine = pyagrum.LazyPropagation(net.net)
    engine.setEvidence(
        {"told": 0, "before": 2, "nest_seen": 0, "check": 0, "after": 2, "motor_volts": 2}
    )
    engine.makeInference()
    belief = believe(lift().sets, situation)
    assert belief.log_evidence == pytest.approx(math.log(engine.evidenceProbability()), abs=CLOSE)
    for fault, (part, mode) in enumerate(lift().faults):
        node = "new_fuse" if part == "fuse" else part
        wanted = engine.posterior(node)[roots.modes[part].index(mode)]
        assert belief.survey.faults[fault] == pytest.approx(wanted, abs=CLOSE)


@cache
def lamp() -> Roots:
    """The lamp on a bench, in a shop where one new part in fifty is bad.

    It works when it lights on request and only then; that it always lights nobody complains of.
    """
    machine = load_machine(BENCH_LAMP)
    shop = replace(machine.shop, new_part_bad_per_1000=20.0)
    lights = machine.functions["lights"]
    always = replace(lights, id="always", condition="rest")
    kind = prepared(
        replace(
            machine,
            shop=shop,
            functions={"lights": lights, "always": always},
            works={"lights": ("full",), "always": ("dark",)},
            content_hash="bench lamp, bad new parts",
        )
    )
    return Roots.of(kind, Everything(kind.behaviour))


Findings = tuple[tuple[str, str], ...]
DARK: Findings = (("look", "dark"), ("fuse_lamp", "dark"))
REPAIRS: dict[str, tuple[Findings, str, str, str, Findings]] = {
    "it did not help": (DARK, "fuse", "replace", "no_light", ()),
    "looked at again": (DARK, "fuse", "replace", "no_light", (("fuse_lamp", "bright"),)),
    "it helped": (DARK, "fuse", "replace", "runs", (("look", "full"),)),
    "it burns too long now": (DARK, "switch", "replace", "other", (("look", "full"),)),
    "no new part": (DARK[:1], "earth", "clean", "no_light", (("fuse_lamp", "dark"),)),
}


def two_epochs(part: str, repair: str, shown: str) -> DiscreteBayesianNetwork:
    """Roots, everything seen before; the repaired part anew, everything seen after."""
    roots, machine = lamp(), lamp().kind.machine
    old, new = list(roots.modes), [f"new_{p}" if p == part else p for p in roots.modes]
    net = DiscreteBayesianNetwork()
    net.add_node("ways")
    net.add_cpds(TabularCPD("ways", len(WAYS), [[share] for share in WAYS]))
    cards = [len(own) for own in roots.modes.values()]
    for name, own in roots.modes.items():
        rates = [0.25 * machine.unlisted_per_1000 / 1000.0]
        if name in machine.parts:
            modes = machine.parts[name].modes
            rates = [0.25 * modes[mode].per_1000_jobs / 1000.0 for mode in own[1:]]
        net.add_node(name)
        net.add_cpds(TabularCPD(name, len(own), [[1.0 - sum(rates)], *([rate] for rate in rates)]))
    n = len(roots.modes[part])
    net.add_edge(part, f"new_{part}")
    net.add_cpds(TabularCPD(f"new_{part}", n, roots.after(part, repair).T, [part], [n]))
    leaves = {test: roots.of_test(test) for test in machine.tests}
    told = np.stack([roots.told("no_light")] * len(WAYS))
    before = {"told": told, **leaves}
    again = {f"{test}_again": leaf for test, leaf in leaves.items()}
    after = {"check": roots.shown("no_light", shown), **again}
    for parents, nodes in ((old, before), (new, after)):
        for node, table in nodes.items():
            net.add_edges_from((parent, node) for parent in ("ways", *parents))
            flat = table.reshape(-1, table.shape[-1]).T
            own = ["ways", *parents], [len(WAYS), *cards]
            net.add_cpds(TabularCPD(node, len(flat), flat, *own))
    return net


@pytest.mark.parametrize("name", REPAIRS)
def test_a_two_epoch_network_by_pgmpy(name: str) -> None:
    before, part, repair, shown, after = REPAIRS[name]
    roots, tests = lamp(), lamp().kind.machine.tests
    evidence = {"told": 0, "check": 0}
    for ending, findings in (("", before), ("_again", after)):
        for test, outcome in findings:
            outcomes = [one.id for one in tests[test].outcomes]
            evidence[f"{test}{ending}"] = outcomes.index(outcome)
    engine = VariableElimination(two_epochs(part, repair, shown))
    epoch = Epoch(tuple(Finding(*pair) for pair in before), RepairDone(part, repair, shown))
    situation = Situation("no_light", tuple(Finding(*pair) for pair in after), past=(epoch,))
    faults = believe(roots.kind.sets, situation).survey.faults
    for own, modes in roots.modes.items():
        node = f"new_{own}" if own == part else own
        wanted = engine.query([node], evidence=evidence, show_progress=False).values
        for mode, chance in zip(modes[1:], wanted[1:], strict=True):
            fault = roots.kind.faults.index((own, mode))
            assert faults[fault] == pytest.approx(chance, abs=CLOSE)
