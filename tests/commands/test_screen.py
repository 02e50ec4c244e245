"""The bench screen: how much there is to read, and that no caution is missing."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING

import pytest

from diagnose.commands import screen
from diagnose.commands.output import open_console
from diagnose.commands.show_screen import GO_ON
from diagnose.commands.talk import Talk
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names
from diagnose.paper.cautions import MAKES_SPARKS, as_before, cautions_of, dangerous
from diagnose.paper.words import repair_of
from tests.commands.played import JOBS, Played, played

if TYPE_CHECKING:
    from collections.abc import Callable

ALWAYS = {
    *("cranking", "auto_start", "rotating", "blades", "pto_guard", "roll_bar", "hot_and_turning"),
    *("heavy_jumper", "implements_down", "glow_hot", "load_heat", "diesel"),
    *("high_tension", "spark_volts", "injection_pressure"),
    *("blade", "pulling", "running", "spring", "stop_first"),
    *("propeller", "cooling", "flywheel", "tilting", "jumper_once"),
}
"""Cautions of the shipped machines about what can move, burn or spray by itself."""

WITH_SPARKS = ALWAYS | {
    *("battery_gas", "fuel", "live_studs", "no_starting_fluid", "ventilate", "bilge_water"),
}
"""The same where the action itself may make a spark or a short."""


@pytest.fixture(autouse=True)
def no_long_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """How many minutes are left is not what is tested here."""
    monkeypatch.setattr(screen, "AT_THE_BENCH_SECONDS", 0.001)


def words_of(text: str) -> int:
    return len(text.split())


def plain(text: str) -> str:
    return " ".join(text.split())


def test_a_page_has_sixty_words_in_the_mean(figures: Callable[[str, str], None]) -> None:
    """Everything between two prompts is counted: headings, cautions, readings read back, the end.

    Sixty in the mean and no page above 110 are the project's own limits.
    """
    pages = [words_of(page) for job in JOBS for step in played(*job) for page in step.pages]
    steps = [sum(map(words_of, step.pages)) for job in JOBS for step in played(*job)]
    told = (
        f"mean {statistics.mean(pages):.1f}, worst {max(pages)} of {len(pages)} pages; "
        f"{statistics.mean(steps):.1f} for each of {len(steps)} things to do"
    )
    figures("words a page on the bench", told)
    assert len(steps) > 40, told
    assert statistics.mean(pages) <= 60.0, told
    assert max(pages) <= 110, told


@pytest.mark.parametrize("job", JOBS)
def test_every_screen_ends_with_do_and_type(job: tuple[str, str]) -> None:
    for step in played(*job)[:-1]:
        lines = step.pages[-1].splitlines()
        labels = [
            label
            for line in lines
            for label in ("Do ", "Good is ", "Type ")
            if line.startswith(label)
        ]
        wanted = ["Do ", "Good is ", "Type "] if step.turn.asked else ["Do ", "Type "]
        assert labels == wanted
        first = step.turn.advice.suspects[0]
        machine = step.turn.job.machine
        if first.part in machine.parts:
            assert machine.parts[first.part].title in plain(step.pages[-1])
        assert "min left" in step.pages[-1]


def action_of(step: Played) -> tuple[tuple[str, ...], bool]:
    """Cautions of what a screen asks for, and whether it may make sparks."""
    machine, target = step.turn.job.machine, step.turn.advice.verdict.target
    if step.turn.asked:
        test = machine.tests[step.turn.asked]
        return test.cautions, test.kind in {"bridge", "substitute", "load_test"}
    repair = repair_of(machine, target)
    return (repair[1].cautions if repair is not None else ()), True


@pytest.mark.parametrize("job", JOBS)
def test_cautions_are_in_full_at_first_and_always_where_it_can_hurt_at_once(
    job: tuple[str, str],
) -> None:
    texts, seen = load_machine(job[0]).cautions, set()
    for step in played(*job):
        shown, (names, sparks) = plain(" ".join(step.pages)), action_of(step)
        always = WITH_SPARKS if sparks else ALWAYS
        for name in names:
            full = plain(texts[name].text) in shown.replace("! ", "")
            named = name.replace("_", " ") in shown.partition("Cautions as before: ")[2]
            assert full == (name in always or name not in seen), name
            assert named != full, name
        seen.update(names)


@pytest.mark.parametrize("name", machine_names())
def test_which_cautions_are_about_what_moves_burns_or_sprays(name: str) -> None:
    for caution in load_machine(name).cautions.values():
        assert dangerous(caution.text, sparks=False) == (caution.id in ALWAYS), caution.id
        assert dangerous(caution.text, sparks=True) == (caution.id in WITH_SPARKS), caution.id
    kinds = {test.kind for test in load_machine(name).tests.values()}
    assert {"bridge", "substitute", "load_test"} & kinds <= MAKES_SPARKS
    assert not MAKES_SPARKS & {"look", "listen", "volts", "drop", "lamp", "ohms", "amps", "try"}


def test_nothing_is_taken_for_a_test_that_is_not_shown_yet(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The first page of this job is cautions alone; a reading typed there has no test to go to."""
    lines = iter(("1\n", "1\n", ""))
    talk = Talk(open_console(), lambda: next(lines))
    job = talk.run(Job.open("utility_vehicle", "silent"))
    first, second, third = capsys.readouterr().out.split("> ")[:3]
    assert GO_ON in first
    assert "Do " not in first
    assert "Not taken" in second
    assert "Type " in second
    assert "Taken: " in third
    assert len(job.findings) == 1


def test_cautions_by_name() -> None:
    machine = load_machine("utility_vehicle")
    names = ("fuel", "back_probe", "cranking")
    parted = cautions_of(machine, names, {"fuel", "back_probe", "cranking"}, sparks=False)
    assert parted.full == ("cranking",)
    assert as_before(parted.named) == "Cautions as before: fuel, back probe. `why` shows them."
    assert as_before(()) == ""
    assert cautions_of(machine, names, (), sparks=False).named == ()


@pytest.mark.parametrize("job", [job for job in JOBS if job[0] == "compact_tractor"])
def test_trying_it_has_few_lines_to_choose_from(job: tuple[str, str]) -> None:
    """With up to nine outcomes, those that are likely; Enter lists the others."""
    machine = load_machine(job[0])
    tried = [step for step in played(*job) if step.turn.asked == "try_it"]
    assert tried
    for step in tried:
        told = step.pages[-1].partition("Type ")[2].splitlines()
        assert len(machine.tests["try_it"].outcomes) >= 8
        assert len(told) <= 7
        assert f"Enter lists all {len(machine.tests['try_it'].outcomes)}" in " ".join(told)
        assert "as the customer says" in " ".join(told)
