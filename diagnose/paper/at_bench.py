"""A test and a part of a job as somebody at the bench needs them told, as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.advice.plain import plain
from diagnose.errors import UnknownNameError
from diagnose.faults.words import OK
from diagnose.paper import words
from diagnose.paper.cautions import MAKES_SPARKS, dangerous
from diagnose.paper.good import good_outcome, good_words
from diagnose.paper.where import net_words
from diagnose.rule.minutes import labour_minutes, opening_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.job import Job
    from diagnose.machine.model import Machine, Test

PROPOSED = "-"
"""Stands for the test that is proposed now; no id can be that."""

LEFT = 3
"""Suspects told after each result of a test."""


def told_test(job: Job, name: str, *, why: bool = False) -> dict[str, Any]:
    """A test as it is done: where, how the controls stand, what good is, what to mind.

    Args:
        job: the job.
        name: id of the test; `PROPOSED` for the one that is proposed now.
        why: whether to tell what each result would leave, and what the meter would read.

    Raises:
        UnknownNameError: no such test, or none is proposed.
        ClashError: the findings cannot all be true.
    """
    machine = job.machine
    name = _proposed(job) if name == PROPOSED else name
    if name not in machine.tests:
        raise UnknownNameError("test", name, list(machine.tests))
    test = machine.tests[name]
    opens = to_open(machine, test.area, job.situation.open_areas)
    measured = test.unit is not None
    return {
        "test": test.id,
        "title": test.title,
        "kind": test.kind,
        "probes": _probes(machine, test),
        "parts": list(test.parts),
        "controls": None if test.condition is None else machine.conditions[test.condition].title,
        "opens": _areas(machine, opens),
        "tool": None if test.tool == words.NO_TOOL else machine.tools[test.tool].title,
        "minutes": test.minutes + opening_minutes(machine, opens),
        "good": good_words(job, test),
        "good_outcome": good_outcome(job, test).id,
        "unit": test.unit,
        "low": test.low if measured else None,
        "high": test.high if measured else None,
        "watched": None if test.function is None else machine.functions[test.function].title,
        "results": _results(job, test, why=why),
        "readings": _readings(job, test) if why else [],
        "cautions": _minded(machine, test.cautions, sparks=test.kind in MAKES_SPARKS),
    }


def _proposed(job: Job) -> str:
    verdict = job.advise().verdict
    return verdict.target if verdict.action in ("test", "recheck") else PROPOSED


def told_part(job: Job, name: str) -> dict[str, Any]:
    """A part as it is looked at: how it may have failed, its tests, its repairs.

    Raises:
        UnknownNameError: no such part.
        ClashError: the findings cannot all be true.
    """
    machine = job.machine
    if name not in machine.parts:
        raise UnknownNameError("part", name, list(machine.parts))
    part, opened = machine.parts[name], job.situation.open_areas
    chances = {s.mode: s.probability for s in job.advise().suspects if s.part == name}
    modes = [
        {"id": mode.id, "title": mode.title, "probability": chances.get(mode.id, 0.0)}
        for mode in part.modes.values()
        if mode.id != OK
    ]
    done = {known.test for known in job.findings}
    repairs = [
        {
            "id": repair.id,
            "title": repair.title,
            "minutes": labour_minutes(machine, name, repair, opened),
            "price_eur": repair.price_eur,
            "licensed": repair.licensed,
            "cautions": _minded(machine, repair.cautions, sparks=True),
        }
        for repair in part.repairs
    ]
    return {
        "part": name,
        "title": part.title,
        "opens": _areas(machine, to_open(machine, part.area, opened)),
        "modes": sorted(modes, key=lambda mode: -mode["probability"]),
        "tests": [
            {"id": test.id, "title": test.title, "done": test.id in done}
            for test in machine.tests.values()
            if _is_about(machine, test, name)
        ],
        "repairs": repairs,
    }


def _is_about(machine: Machine, test: Test, part: str) -> bool:
    """Whether a test is done to a part, or has a probe at one of its ends."""
    ends = set(machine.parts[part].terminals.values()) - {machine.frame_net}
    return part in test.parts or not ends.isdisjoint(test.probes or ())


def _probes(machine: Machine, test: Test) -> list[dict[str, str]]:
    if test.probes is None:
        return []
    ends = ("tip", "clip") if test.kind == "lamp" else ("red", "black")
    return [
        {"end": end, "net": net, "words": net_words(machine, net)}
        for end, net in zip(ends, test.probes, strict=True)
    ]


def _areas(machine: Machine, areas: Iterable[str]) -> list[dict[str, str]]:
    return [{"id": area, "title": machine.areas[area].title} for area in areas]


def _minded(machine: Machine, names: Iterable[str], *, sparks: bool) -> list[dict[str, Any]]:
    texts = {name: machine.cautions[name].text for name in names}
    return [
        {"id": name, "text": text, "always": dangerous(text, sparks=sparks)}
        for name, text in texts.items()
    ]


def _results(job: Job, test: Test, *, why: bool) -> list[dict[str, Any]]:
    after = job.consequence(test.id) if why else {}
    advice = job.advise()
    chances = {end.outcome: end.probability for end in words.outcome_chances(advice, test.id)}
    return [
        {
            "outcome": outcome.id,
            "words": words.outcome_words(job.machine, test.id, outcome.id),
            "chance": chances.get(outcome.id),
            "leaves": plain(after[outcome.id][:LEFT]) if outcome.id in after else None,
        }
        for outcome in test.outcomes
    ]


def _readings(job: Job, test: Test) -> list[dict[str, str]]:
    return [
        {"part": value.part, "mode": value.mode, "words": words.expected_words(value)}
        for value in job.expect(test.id)
    ]
