"""Steps as rows of the table `steps`, in the columns of the data dictionary."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from diagnose.steps.columns import checked_row
from diagnose.steps.plain import step_to_dict
from diagnose.steps.status import shown_by

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.steps.status import KeptStep

_COLUMN_OF: Mapping[str, str] = MappingProxyType(
    {
        "complaint": "outcome",
        "shown": "result",
        "tools": "result",
        "machine_version": "result",
        "cause_part": "part",
    }
)
"""Field of a step -> its column where the two are not called the same."""

_NOT_IN_STEPS = frozenset(
    {
        *("ended", "cause_mode", "cause_seen", "labour_minutes", "comeback_of"),
        *("machine_hash", "archive_hash", "priors_hash"),
    }
)
"""Fields that stand in the table `orders`, or only in the store."""


def step_row(order_id: str, kept: KeptStep) -> dict[str, Any]:
    """The row of a step.

    Args:
        order_id: id of its order.
        kept: the step, its number and what is noted about it.

    Raises:
        RequestError: it does not hold to the data dictionary.
    """
    row: dict[str, Any] = {"order_id": order_id, "seq": kept.seq}
    for name, value in step_to_dict(kept.step).items():
        if name not in _NOT_IN_STEPS:
            row[_COLUMN_OF.get(name, name)] = _cell(value)
    row["result"] = shown_by(kept) or row.get("result")
    row["advised"] = kept.noted.advised
    row["tool_version"] = kept.noted.tool_version
    return checked_row("steps", row)


def _cell(value: Any) -> Any:
    """A value as a cell holds it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return " ".join(value) if isinstance(value, list) else value
