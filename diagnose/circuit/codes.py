"""Numbers that stand for something in the circuit's tables.

Compiled code takes them in as they are; who changes one deletes what numba has kept on disk.
"""

from __future__ import annotations

REFERENCE = -1
"""Net index of the battery's minus post: the zero every voltage is counted from."""

NONE = -1
"""No such element, part or fault."""

NORMAL, ALWAYS, NEVER = 0, 1, 2
"""What the contacts of a switch, relay or controller do in a mode."""

BATTERY, GENERATOR, DIODE = 1, 2, 3
"""Sources; a generator drives only while it turns, a diode holds its volts while it conducts."""

VOLTS, LAMP, AMPS, LEVEL, RELAY, OHMS, COIL, VISIBLE, LOOSE = range(9)
"""Kinds of observables; those before OHMS are read from a solved circuit."""
