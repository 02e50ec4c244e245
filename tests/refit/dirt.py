"""The ways in which a shop's records differ from what they should hold, put in order by order."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np

    from diagnose.machine.model import Machine

Row = dict[str, Any]

OWN_CAUSE, OWN_TEST, OWN_COMPLAINT = 0.12, 0.02, 0.03
"""Shares of causes, tests and complaints that are written in the shop's own words."""


def own_words(part: str, mode: str) -> str:
    """How the shop calls a cause: the first words of mode and part."""
    said = [re.split(r"[,;(]", title)[0].strip().lower() for title in (mode, part)]
    return f"{said[0]}: {said[1]}"


def short_test(title: str) -> str:
    """How the shop calls a test: the beginning of what it is called in the file."""
    return " ".join(re.split(r"[\s,;:]+", title.lower())[:5])


def short_complaint(title: str) -> str:
    """How the shop calls a complaint."""
    return " ".join(re.split(r"[\s,;:]+", title.lower())[:4])


class Dirt:
    """Puts dirt into the orders of one machine."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine

    def of(
        self, order: Row, steps: list[Row], rng: np.random.Generator
    ) -> tuple[list[Row], list[Row]]:
        """An order and its steps as the records hold them."""
        order, steps = dict(order), [dict(step) for step in steps]
        self._words(order, rng)
        self._cells(order, rng)
        for step in steps:
            self._step(step, rng)
        steps = self._rows(steps, rng)
        orders = [order]
        if rng.random() < 0.012:
            orders.append(dict(order))  # exported twice
        elif rng.random() < 0.006:
            earlier = {**order, "ended": "given_up", "closed_at": order["opened_at"]}
            orders.insert(0, earlier)  # exported before it was reopened
        if rng.random() < 0.008 and steps:
            steps += self._second_job(steps)
        if rng.random() < 0.004:
            orders = []  # its row was lost
        return orders, steps

    def _words(self, order: Row, rng: np.random.Generator) -> None:
        machine = self._machine
        if "cause_part" in order and rng.random() < OWN_CAUSE:
            part = machine.parts[order["cause_part"]]
            order["cause_part"] = own_words(part.title, part.modes[order["cause_mode"]].title)
            order["cause_mode"] = ""
        elif "cause_part" in order and rng.random() < 0.02:
            order["cause_part"] = order["cause_part"].replace("_", " ").title()
        elif "cause_part" in order and rng.random() < 0.008:
            order["cause_part"], order["cause_mode"] = "battery; " + order["cause_part"], ""
        if rng.random() < OWN_COMPLAINT:
            told = machine.complaints[order["complaint_told"]]
            order["complaint_told"] = short_complaint(told.title)
        elif rng.random() < 0.01:
            order["complaint_told"] = ""

    def _cells(self, order: Row, rng: np.random.Generator) -> None:
        draw = float(rng.random())
        if draw < 0.01:
            order["opened_at"], order["closed_at"] = order["closed_at"], order["opened_at"]
        elif draw < 0.03:
            order["opened_at"] = order["opened_at"][:19]  # without its offset
        elif draw < 0.05:
            year, month, day = order["closed_at"][:10].split("-")
            order["closed_at"] = f"{day}.{month}.{year} {order['closed_at'][11:16]}"
        elif draw < 0.06:
            order["machine_version"] = "0"
        elif draw < 0.08:
            order["labour_minutes"] = f"{order['labour_minutes'] / 60.0:.2f} h".replace(".", ",")
        elif draw < 0.10:
            hours, minutes = divmod(round(order["labour_minutes"]), 60)
            order["labour_minutes"] = f"{hours}:{minutes:02d}"
        elif draw < 0.12:
            order["ended"] = order["ended"].replace("_", " ").title()
        elif draw < 0.13:
            order["labour_minutes"] = "n/a"
        if "cause_seen" in order and rng.random() < 0.03:
            order["cause_seen"] = order["cause_seen"][0].upper()

    def _step(self, step: Row, rng: np.random.Generator) -> None:
        draw = float(rng.random())
        if "reading" in step:
            self._reading(step, draw)
        elif step["kind"] == "finding" and draw < OWN_TEST:
            step["test"] = short_test(self._machine.tests[step["test"]].title)
        elif step["kind"] == "finding" and draw < OWN_TEST + 0.01:
            step["outcome"] = step["outcome"].replace("_", " ").upper()
        elif draw < 0.003:
            step["minutes"] = -1
        elif draw < 0.006 and "minutes" in step:
            step["minutes"] = f"{step['minutes']:g} min".replace(".", ",")

    def _reading(self, step: Row, draw: float) -> None:
        number = step["reading"]
        if draw < 0.03:
            step["reading"] = f"{number:g}".replace(".", ",")
        elif draw < 0.04 and step["unit"] == "V":
            step["reading"], step["unit"] = round(number * 1000.0, 1), "mV"
        elif draw < 0.05:
            step["reading"], step["unit"] = f"{number:g} {step['unit']}", ""
        elif draw < 0.055:
            step["reading"] = number * 1000.0  # the unit was forgotten
        elif draw < 0.06:
            step["unit"] = "degC"

    def _rows(self, steps: list[Row], rng: np.random.Generator) -> list[Row]:
        """Steps that are missing, or there twice."""
        kept = []
        for step in steps:
            draw = float(rng.random())
            if step["kind"] == "tried" and draw < 0.03:
                continue
            if step["kind"] == "repaired" and draw < 0.004:
                step["repair"] = "fixed"
            kept.append(step)
            if draw > 0.997:
                kept.append(dict(step))
        return kept

    def _second_job(self, steps: list[Row]) -> list[Row]:
        """Another job, written into the same order and counted from 1 again."""
        other = [dict(step) for step in steps if step["kind"] != "repaired"][:5][::-1]
        for seq, step in enumerate(other, 1):
            step["seq"] = seq
        return other


def mapping_lines(machine: Machine, orders: list[Row], steps: list[Row]) -> list[Row]:
    """The shop's words with their ids, as far as the analyst has put them down.

    What was met once only is left for whoever reads the report.
    """
    lines: list[Row] = []
    met = Counter(str(order.get("cause_part", "")) for order in orders)
    for part in machine.parts.values():
        for mode in list(part.modes.values())[1:]:
            text = own_words(part.title, mode.title)
            if met[text] > 1:
                lines.append(_line("cause", machine, text, f"{part.id}.{mode.id}"))
    met = Counter(str(step.get("test", "")) for step in steps)
    for test in machine.tests.values():
        text = short_test(test.title)
        if met[text] > 1:
            lines.append(_line("test", machine, text, test.id))
    met = Counter(str(order["complaint_told"]) for order in orders)
    for complaint in machine.complaints.values():
        text = short_complaint(complaint.title)
        if met[text] > 1:
            lines.append(_line("complaint", machine, text, complaint.id))
    seen: dict[tuple[str, str], str] = {}
    return [
        line
        for line in lines
        if seen.setdefault((line["what"], line["text"]), line["id"]) == line["id"]
    ]


def _line(what: str, machine: Machine, text: str, id_: str) -> Row:
    return {"what": what, "machine": machine.id, "text": text, "id": id_}
