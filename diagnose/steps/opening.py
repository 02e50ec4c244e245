"""How a job begins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What is known when a job is opened.

    Attributes:
        machine: id of a machine, or path of a machine file.
        complaint: id of the complaint that the customer told.
        tools: tools at hand; none named means all of them.
        open_areas: areas that stand open already.
        temperature_celsius: of the battery.
        shop_reference: the shop's own number for it; None where it has none.
        comeback_of: id of the earlier order that this one is a comeback of; None for none.
        at: when, with an offset; None for the moment in which it is kept.
        by: who; empty where nobody noted it.
    """

    machine: str
    complaint: str
    tools: tuple[str, ...] = ()
    open_areas: tuple[str, ...] = ()
    temperature_celsius: float = 20.0
    shop_reference: str | None = None
    comeback_of: str | None = None
    at: datetime | None = None
    by: str = ""
