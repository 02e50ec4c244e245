"""A machine far larger than any in the shop: the guide's example with many lighting branches.

Every branch is a fuse, two wires, a switch, a lamp and its ground, with a look and two
measurements. All of it is invented; it only has to be large.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

PARTS_IN_A_BRANCH = 6

NETS = """
  fused_{i}: fuse {i}, far side
  feed_{i}: switch {i}, feed
  switched_{i}: switch {i}, output
  lit_{i}: lamp {i}, feed
  lug_{i}: lamp {i}, ground lug"""

PARTS = """
  fuse_{i}:
    {{kind: fuse, title: Fuse {i}, from: stud_in, to: fused_{i}, amps: 15, source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}, resistive: {{per_1000_jobs: {rare}}}}},
     repairs: {{replace: {{title: Fit a new fuse, minutes: 2, price_eur: 1}}}}}}
  feed_wire_{i}:
    {{kind: wire, title: Feed wire {i}, from: fused_{i}, to: feed_{i}, mm2: 1.5, metres: 1.0,
     source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}, shorted: {{per_1000_jobs: {rare}}}}},
     repairs: {{splice: {{title: Splice the wire, minutes: 10, fixes: [open, shorted]}}}}}}
  switch_{i}:
    {{kind: switch, title: Switch {i}, from: feed_{i}, to: switched_{i}, source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}}},
     repairs: {{replace: {{title: Fit a new switch, minutes: 8, price_eur: 9}}}}}}
  lamp_wire_{i}:
    {{kind: wire, title: Lamp wire {i}, from: switched_{i}, to: lit_{i}, mm2: 1.5, metres: 2.0,
     source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}, shorted: {{per_1000_jobs: {rare}}}}},
     repairs: {{splice: {{title: Splice the wire, minutes: 10, fixes: [open, shorted]}}}}}}
  lamp_{i}:
    {{kind: load, title: Lamp {i}, from: lit_{i}, to: lug_{i}, watts: 21, source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}}},
     repairs: {{replace: {{title: Fit a new bulb, minutes: 2, price_eur: 2}}}}}}
  ground_{i}:
    {{kind: ground, title: Lamp ground {i}, from: lug_{i}, to: frame, source: estimate,
     modes: {{open: {{per_1000_jobs: {rate}}}, resistive: {{per_1000_jobs: {rare}}}}},
     repairs: {{clean: {{title: Clean the lug, minutes: 4}}}}}}
"""

FUNCTION = """
  lights_{i}: {{kind: load, title: Lamp {i} lights, part: lamp_{i}, condition: lights_on,
    levels: {{on: {{at_least_volts: 10}}, dim: {{at_least_volts: 4}}, off: {{}}}},
    source: estimate}}"""

TESTS = """
  look_lamp_{i}: {{kind: look, title: Look at lamp {i}, function: lights_{i}, minutes: 0.2,
    source: estimate}}
  fused_lamp_{i}: {{kind: lamp, title: Touch the test lamp to the far side of fuse {i},
    probes: {{tip: fused_{i}, clip: frame}}, condition: lights_on, minutes: 0.5, source: estimate}}
  lit_lamp_{i}: {{kind: lamp, title: Touch the test lamp to the feed of lamp {i},
    probes: {{tip: lit_{i}, clip: frame}}, condition: lights_on, minutes: 1, source: estimate}}"""


def large_machine(example: str, branches: int) -> str:
    """The text of a machine file.

    Args:
        example: text of the example in `models/README.md`.
        branches: lighting branches to add; six parts each.
    """
    rate, rare = 200.0 / branches / PARTS_IN_A_BRANCH, 60.0 / branches / PARTS_IN_A_BRANCH
    switches = ", ".join(f"switch_{i}" for i in range(branches))
    lights = f"\n  lights_on: {{title: lights on, closes: [key_switch, {switches}]}}"
    text = example.replace("id: barn_sprayer", "id: large_sprayer", 1)
    text = _after(text, "nets", _each(NETS, branches))
    text = _after(text, "conditions", lights)
    text = _after(text, "parts", _each(PARTS, branches, rate=f"{rate:.4f}", rare=f"{rare:.4f}"))
    text = _after(text, "functions", _each(FUNCTION, branches))
    return _after(text, "tests", _each(TESTS, branches))


def example_of(guide: Path) -> str:
    """The example machine of the authoring guide."""
    found = re.search(r"```yaml\n(.*?)```", guide.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


def _each(piece: str, branches: int, **values: str) -> str:
    return "".join(piece.format(i=i, **values) for i in range(branches))


def _after(text: str, section: str, more: str) -> str:
    head, mark, rest = text.partition(f"\n{section}:\n")
    assert mark
    return f"{head}{mark}{more.strip(chr(10))}\n{rest}"
