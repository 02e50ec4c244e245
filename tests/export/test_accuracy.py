"""How far the exported network is from the engine: the measure itself, then the figure."""

from __future__ import annotations

import pytest

from diagnose.commands.network_error import engine_of
from diagnose.export.accuracy import EngineAnswer, error_of, measure_accuracy
from diagnose.inference.compiled import compile_network
from tests.export import machines
from tests.inference.networks import YES_NO, network

NET = network(
    ("lamp", ("ok", "open"), (), [0.9, 0.1]),
    ("wire", ("ok", "open"), (), [0.8, 0.2]),
    (
        "dark",
        YES_NO,
        ("lamp", "wire"),
        [[[0.1, 0.9], [0.8, 0.2]], [[0.8, 0.2], [0.8, 0.2]]],
    ),
    ("look", ("bright", "dull"), ("lamp",), [[0.95, 0.05], [0.1, 0.9]]),
    ("ohms", ("low", "high"), ("wire",), [[0.95, 0.05], [0.1, 0.9]]),
)


class Engine:
    """Says what another network says, its wire off by a known amount after some findings."""

    def __init__(self, off_by: tuple[float, ...]) -> None:
        self.compiled = compile_network(NET)
        self.off_by = off_by
        self.asked: list[tuple[str, dict[str, str]]] = []

    def __call__(self, complaint, findings) -> EngineAnswer:
        self.asked.append((complaint, dict(findings)))
        beliefs = self.compiled.posterior({complaint: "yes", **findings})
        suspects = {(part, "open"): beliefs[part]["open"] for part in ("lamp", "wire")}
        suspects["wire", "open"] += self.off_by[len(findings)]
        return EngineAnswer(suspects, {test: beliefs[test] for test in ("look", "ohms")})


def test_a_network_is_no_way_off_itself():
    accuracy = measure_accuracy(NET, ["dark"], Engine((0.0, 0.0, 0.0)), 30)
    assert accuracy.states == 30
    assert accuracy.largest == pytest.approx(0.0, abs=1e-12)


def test_errors_are_told_as_they_are():
    """Every job has three states, of which the last two are off by a hundredth and a tenth."""
    engine = Engine((0.0, 0.01, 0.1))
    accuracy = measure_accuracy(NET, ["dark"], engine, 300)
    assert accuracy.median == pytest.approx(0.01)
    assert accuracy.percentile_99 == pytest.approx(0.1)
    assert accuracy.largest == pytest.approx(0.1)
    assert [len(findings) for _, findings in engine.asked[:6]] == [0, 1, 2, 0, 1, 2]


def test_findings_are_drawn_with_the_engines_chances():
    """P(look = bright | dark) by the network, within four standard errors."""
    engine = Engine((0.0, 0.0, 0.0))
    measure_accuracy(NET, ["dark"], engine, 3000)
    first = [findings for _, findings in engine.asked if len(findings) == 1]
    looks = [findings["look"] for findings in first if "look" in findings]
    expected = engine.compiled.posterior({"dark": "yes"})["look"]["bright"]
    assert len(looks) == pytest.approx(len(first) / 2, rel=0.15)
    assert looks.count("bright") / len(looks) == pytest.approx(
        expected, abs=4.0 * (expected * (1.0 - expected) / len(looks)) ** 0.5
    )


def test_the_same_seed_makes_the_same_jobs():
    engines = [Engine((0.0, 0.0, 0.0)) for _ in range(3)]
    for engine, seed in zip(engines, (1, 1, 2), strict=True):
        measure_accuracy(NET, ["dark"], engine, 30, seed)
    assert engines[0].asked == engines[1].asked != engines[2].asked


def test_only_what_the_engine_names_is_compared():
    answer = EngineAnswer({("lamp", "open"): 0.1}, {})
    assert error_of(compile_network(NET), "dark", {"look": "dull"}, answer) > 0.3
    assert error_of(compile_network(NET), "dark", {}, EngineAnswer({}, {})) == 0.0


def test_how_far_an_exported_network_is_from_the_advice(figures):
    """The engine sums over fault sets, each solved as a whole circuit; no state of it is merged.
    A coarser network is further off: the budget is what costs."""
    pump = machines.machine("standby_pump")
    complaints, engine = list(pump.complaints), engine_of(pump)
    exported = measure_accuracy(machines.with_joints(pump.id), complaints, engine, 60)
    rough = machines.with_joints(pump.id, machines.COARSE)
    coarse = measure_accuracy(rough, complaints, engine, 60)
    for what, accuracy in (("exported", exported), ("coarse", coarse)):
        figures("networks against the engine", f"{pump.id}, {what}: {accuracy}")
    assert exported.percentile_99 <= 0.02
    assert exported.median <= 0.003
    assert coarse.median > exported.median
