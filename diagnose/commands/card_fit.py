"""The fullest wall card that fits one sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.commands.card_sheet import draw_card
from diagnose.commands.card_words import make_card
from diagnose.decision.policy_tree import policy_tree, pruned

if TYPE_CHECKING:
    from diagnose.commands.card_words import Card
    from diagnose.decision.ready_problems import ReadyProblems

STEP = 0.005
"""By so much of the jobs more is left out as long as a card does not fit."""


def fitting_card(ready: ReadyProblems, complaint: str, levels: int) -> tuple[Card, str]:
    """The card with what matters least left out, as far as one sheet needs it, and its picture.

    First go the tests that no repair follows, then those that lead the fewest jobs to one.

    Args:
        ready: the machine's decision problems.
        complaint: id of one of its complaints.
        levels: tests in a row at most.
    """
    whole = policy_tree(ready.problem(complaint), levels)
    tree = whole
    while True:
        made = make_card(ready, complaint, tree)
        picture = draw_card(made)
        if picture is not None:
            return made, picture
        tree = pruned(whole, max(tree.least_covered + STEP, 0.0))


def figures(made: Card) -> dict[str, float]:
    """What the card covers, as numbers."""
    return {
        "levels": made.levels,
        "steps": len(made.steps),
        "least_share": made.least_share,
        "least_covered": max(made.least_covered, 0.0),
        "covered": made.covered,
        "fixed": made.fixed,
    }
