"""What the process of `diagnose.rule.apart` does: solve a machine, keep it, compile the kernels."""

from __future__ import annotations

import sys

import numpy as np

from diagnose.belief.situation import Situation
from diagnose.machine.archive import machine_from_json
from diagnose.rule.apart import note_compiled
from diagnose.rule.decide import Standing, decide, look
from diagnose.rule.prepared import Prepared, key_of, solve


def first_start(text: str) -> None:
    """Solve a machine and keep it, with all kernels that advice runs through.

    It is kept under this process's own key: one that was begun before the program was renewed does
    not find it, and solves by itself.

    Args:
        text: the machine, as `machine_to_json` writes it.

    Raises:
        MachineFileError: the text is no machine.
        CircuitError, NetworkError: it cannot be solved.
    """
    machine = machine_from_json(text)
    key = key_of(machine.content_hash, machine.priors_version)
    _decide_once(solve(machine, key, _say))
    note_compiled()


def _decide_once(made: Prepared) -> None:
    """Compile what the first advice would wait for."""
    complaint = next(iter(made.machine.complaints))
    belief = made.belief(Situation(complaint), bound=True)
    standing = Standing(0, np.zeros(len(made.machine.tests), dtype=np.bool_))
    able = made.blamed(complaint, belief)
    decide(
        look(belief.survey, able, made.costs, standing, made.hides[complaint]),
        made.costs,
        every=True,
    )


def _say(sentence: str) -> None:
    sys.stdout.write(f"{sentence}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    first_start(sys.stdin.buffer.read().decode())
