"""ngspice's DC operating point for many arrangements of one machine's circuit.

The netlist of a machine is written once; every further circuit is a few `alter` commands away, so
one ngspice process solves tens of thousands of them. Nets are named n0, n1 ... in the order of
the schematic; the battery's minus post is node 0.
"""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from tests.circuit.nodal import Schematic, Standing

ABSENT_OHMS = 1e30
"""Stands for a branch that is not there."""

MARK = b"Binary:\n"


def node(schematic: Schematic, net: str) -> str:
    return "0" if net == schematic.ground else f"n{schematic.row[net]}"


def netlist(schematic: Schematic) -> list[str]:
    """The circuit's cards; a source lies behind its own inner resistance."""
    cards = []
    sources = set(schematic.sources)
    for i, branch in enumerate(schematic.branches):
        high, low = node(schematic, branch.high), node(schematic, branch.low)
        inner = f"s{i}" if i in sources else low
        cards.append(f"R{i} {high} {inner} 1")
        if i in sources:
            cards.append(f"V{i} {inner} {low} DC 0")
    cards += [f"RL{n} n{n} 0 {schematic.leak_ohms!r}" for n in range(len(schematic.nets))]
    return cards


def _finite(ohms: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isinf(ohms), ABSENT_OHMS, ohms)


def commands(schematic: Schematic, circuits: Sequence[Standing]) -> list[str]:
    """Alter what differs from the circuit before, find the operating point, append it."""
    n = len(schematic.branches)
    ohms, emf = np.ones(n), np.zeros(n)
    found = []
    for one in circuits:
        new = _finite(one.ohms)
        found += [f"alter R{i} = {float(new[i])!r}" for i in np.flatnonzero(new != ohms)]
        found += [f"alter V{i} = {float(one.emf[i])!r}" for i in np.flatnonzero(one.emf != emf)]
        found += ["op", "write out.raw all", "destroy all"]
        ohms, emf = new, one.emf
    return found


def operating_points(
    schematic: Schematic, circuits: Sequence[Standing], folder: Path
) -> NDArray[np.float64]:
    """(circuits, nets) volts that ngspice finds.

    Raises:
        AssertionError: ngspice is not installed, or did not solve every circuit.
    """
    program = shutil.which("ngspice")
    assert program is not None, "ngspice is missing: apt-get install ngspice"
    deck = [
        f"* {schematic.machine.id}",
        *netlist(schematic),
        ".options noacct",
        ".control",
        "set filetype=binary",
        "set appendwrite",
        *commands(schematic, circuits),
        "quit",
        ".endc",
        ".end",
    ]
    (folder / "deck.cir").write_text("\n".join(deck) + "\n", encoding="ascii")
    raw = folder / "out.raw"
    raw.unlink(missing_ok=True)
    done = subprocess.run(
        [program, "-b", "deck.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert raw.exists(), f"ngspice wrote nothing: {done.stderr[-500:]}"
    return _read(raw.read_bytes(), schematic, len(circuits))


def _read(raw: bytes, schematic: Schematic, n_circuits: int) -> NDArray[np.float64]:
    """Records of a text header and, after it, one double for every variable."""
    header = raw[: raw.index(MARK)].decode("ascii")
    table = header[header.index("\nVariables:") + 1 :].splitlines()[1:]
    names = [line.split()[1] for line in table if line.strip()]
    columns = [names.index(f"v(n{i})") for i in range(len(schematic.nets))]
    out = np.empty((n_circuits, len(schematic.nets)))
    at = 0
    for row in out:
        assert at < len(raw), "ngspice did not solve every circuit"
        at = raw.index(MARK, at) + len(MARK)
        row[:] = np.frombuffer(raw, "<f8", len(names), at)[columns]
        at += 8 * len(names)
    assert at == len(raw), "ngspice solved more circuits than asked"
    return out
