"""The barn cart as it is, and with instruments that never err."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

CART = Path(__file__).parents[1] / "machine" / "larkfield.yaml"

CLASH = {"coil_volts": "full", "trigger_ohms": "open"}
"""Full volts behind contacts that measure open: one of the two is wrong."""


def put_cart(folder: Path) -> Path:
    """A folder of machines with the cart in it; the file."""
    file = folder / "barn_cart" / "machine.yaml"
    file.parent.mkdir(parents=True)
    shutil.copy(CART, file)
    return file


def put_certain_cart(folder: Path) -> Path:
    """The same, but no test is ever written down wrong, so that findings can clash."""
    before, tests = CART.read_text("utf-8").split("\ntests:\n")
    tests = re.sub(r"kind: (\w+),", r"kind: \1, slip_percent: 0,", tests)
    tests = re.sub(r"kind: (\w+)\n", r"kind: \1\n    slip_percent: 0\n", tests)
    file = folder / "sure_cart" / "machine.yaml"
    file.parent.mkdir(parents=True)
    before = before.replace("id: barn_cart", "id: sure_cart")
    file.write_text(f"{before}\ntests:\n{tests}", "utf-8")
    return file
