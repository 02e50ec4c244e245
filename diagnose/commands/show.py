"""Machines and answers laid out for reading at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from diagnose.advice.advice import RecordedRepair
from diagnose.commands.page import grid, headline, indented
from diagnose.paper import words
from diagnose.paper.good import good_words
from diagnose.paper.where import where_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from rich.console import Console
    from rich.table import Table

    from diagnose.advice.advice import Advice, RecordedFinding, TestAdvice, WhileOpen
    from diagnose.ahead.look_further import FurtherLook
    from diagnose.job import Job
    from diagnose.machine.model import Machine

BAR_CELLS = 20
EIGHTHS = " ▏▎▍▌▋▊▉"

SURPRISING_BITS = 7.0
"""A finding that had less than one chance in 128 is worth reading again. Estimate."""


def bar(probability: float) -> str:
    """A bar of `BAR_CELLS` cells, filled to an eighth of a cell."""
    eighths = round(min(max(probability, 0.0), 1.0) * BAR_CELLS * 8)
    whole, part = divmod(eighths, 8)
    return ("█" * whole + (EIGHTHS[part] if part else "")).ljust(BAR_CELLS)


def show_list(console: Console, machines: Iterable[Machine]) -> None:
    """One line for each machine."""
    table = grid("machine", "what it is", "version", "parts", "tests", "complaints", style="bold")
    for known in machines:
        counts = [str(len(held)) for held in (known.parts, known.tests, known.complaints)]
        table.add_row(Text(known.id, "cyan"), known.title, known.version, *counts)
    console.print(table)


def show_details(console: Console, machine: Machine) -> None:
    """Complaints, tests with their results, tools and areas of one machine."""
    console.print(Text(words.machine_words(machine), "bold"))
    indented(console, machine.notes, below=1)
    _titled(console, "Complaints", {c.id: c.title for c in machine.complaints.values()})
    _titled(console, "Tools", {t.id: t.title for t in machine.tools.values()})
    areas = machine.areas.values()
    to_open = {a.id: f"{a.title} ({words.minutes_words(a.open_minutes)} to open)" for a in areas}
    _titled(console, "Areas", to_open)
    table = grid("test", "what to do", "results", style="bold")
    for test in machine.tests.values():
        outcomes = ", ".join(outcome.id for outcome in test.outcomes)
        results = f"{test.unit}, or {outcomes}" if test.unit else outcomes
        table.add_row(Text(test.id, "cyan"), test.title, results)
    console.print(Text("Tests", "bold"))
    console.print(table)


def _titled(console: Console, heading: str, rows: Mapping[str, str]) -> None:
    table = grid()
    for name, title in rows.items():
        table.add_row(Text(name, "cyan"), title)
    console.print(Text(heading, "bold"))
    indented(console, table, below=1)


def heading_lines(machine: Machine, complaint: str) -> tuple[Text, ...]:
    """Which machine, what the customer says, and what comes before this."""
    return (
        Text(machine.title, "bold"),
        Text(f"Customer: {machine.complaints[complaint].title}"),
        Text("The maker's manual and local rules come first.", "dim"),
    )


def show_heading(console: Console, machine: Machine, complaint: str) -> None:
    """The same on the page."""
    for line in heading_lines(machine, complaint):
        console.print(line)


def show_advice(console: Console, job: Job, advice: Advice, top: int) -> None:
    """The whole answer: findings, suspects, what to do, and the next best tests."""
    machine = job.machine
    show_heading(console, machine, advice.complaint)
    if advice.findings or advice.repairs:
        headline(console, "Found so far")
    for known in words.history(advice):
        if isinstance(known, RecordedRepair):
            indented(console, repair_line(machine, known))
        else:
            line = Text(f"{machine.tests[known.test].title}: ")
            indented(console, line.append(finding_line(machine, known)))
    show_suspects(console, machine, advice, top)
    show_verdict(console, job, advice)
    if advice.verdict.action != "done":
        show_tests(console, machine, advice.tests[:top])
        show_while_open(console, job, advice, top)


def repair_line(machine: Machine, repair: RecordedRepair) -> Text:
    """A repair that was done, and what the check after it showed."""
    line = Text(f"Repaired: {words.repair_words(machine, repair)}; ", "green")
    return line.append(words.check_words(machine, repair.check), "bold green")


def finding_line(machine: Machine, finding: RecordedFinding) -> Text:
    """What a finding says; marked when it is a surprise."""
    line = Text(words.result_words(machine, finding), "bold")
    if finding.surprise_bits >= SURPRISING_BITS:
        line.append(f"  unexpected ({finding.surprise_bits:.0f} bits): read it again", "yellow")
    return line


def show_suspects(console: Console, machine: Machine, advice: Advice, top: int) -> None:
    """The likeliest failures as bars, what all the others add up to, and what was left out."""
    headline(console, "What it may be")
    table = grid()
    for suspect in advice.suspects[:top]:
        fault = words.fault_words(machine, suspect.part, suspect.mode)
        chance = suspect.probability
        table.add_row(words.percent(chance).rjust(7), Text(bar(chance), "cyan"), fault)
    indented(console, table)
    rest = advice.suspects[top:]
    if rest:
        largest = words.percent(rest[0].probability)
        console.print(Text(f"  and {len(rest)} more, none above {largest}", "dim"))
    left_out = words.left_out_words(advice.mass_left_out)
    if left_out:
        indented(console, left_out, "yellow")


def show_verdict(console: Console, job: Job, advice: Advice) -> None:
    """What to do now and why, with the cautions."""
    machine, verdict = job.machine, advice.verdict
    repair = words.repair_of(machine, verdict.target)
    headline(console, words.ACTIONS[verdict.action])
    if verdict.target in machine.tests:
        show_test(console, job, advice, verdict.target)
    elif repair is not None:
        price = f", {repair[1].price_eur:.0f} EUR in parts" if repair[1].price_eur else ""
        cost = f"{words.minutes_words(repair[1].minutes)}{price}"
        action = words.action_words(machine, "repair", verdict.target)
        indented(console, f"{action} ({cost})", "bold")
        show_cautions(console, words.caution_texts(machine, repair[1].cautions))
    for line in (verdict.reason, *verdict.notes):
        indented(console, line)


def show_test(console: Console, job: Job, advice: Advice, test_id: str) -> None:
    """One test: what to do, where, what a good machine gives, what it takes, what to mind."""
    machine, test = job.machine, job.machine.tests[test_id]
    indented(console, Text.assemble((test.title, "bold"), (f"  {test_id}", "cyan")))
    for line in where_lines(machine, test):
        indented(console, line, "bold")
    indented(console, f"Good is: {good_words(job, test)}")
    told = words.tested(advice, test_id)
    if told is not None:
        indented(console, words.effort_words(machine, told))
    show_cautions(console, words.caution_texts(machine, test.cautions))


def show_cautions(console: Console, cautions: Iterable[str]) -> None:
    """Warnings, each with its mark."""
    for caution in cautions:
        indented(console, f"! {caution}", "yellow")


def show_tests(console: Console, machine: Machine, tests: Sequence[TestAdvice]) -> None:
    """Tests as a table, best first."""
    if not tests:
        return
    headline(console, "Tests, best first")
    heads = ("", "min", "added", "bits", "bits/min", "what to do", "first")
    table = grid(*heads, wide="what to do")
    for number, test in enumerate(tests, 1):
        cells = (str(number), *_cells(test, test.bits_per_added_minute))
        added, opens = (
            words.minutes_number(test.added_minutes).rjust(4),
            words.area_words(machine, test.opens),
        )
        _add(table, test, (*cells[:2], added, *cells[2:]), opens)
    indented(console, table)
    if any(test.added_minutes < test.minutes for test in tests):
        why = "Added: minutes without what the repair will have to open anyway; bits/min go by it."
        console.print(Text(f"  {why}", "dim"))
    if not all(test.worth_doing for test in tests):
        console.print(Text("  Pale ones are not expected to save more than they cost.", "dim"))


def show_while_open(console: Console, job: Job, advice: Advice, top: int) -> None:
    """What stands open, what that makes cheap, and what closing it will take."""
    opened = words.open_words(job.machine, job.situation.open_areas)
    if not opened:
        return
    headline(console, f"While it is open: {opened}")
    table = grid("min", "bits", "bits/min", "what to do", wide="what to do")
    for test in advice.while_open[:top]:
        _add(table, test, _cells(test, test.bits_per_minute))
    if advice.while_open:
        indented(console, table)
    closing = words.minutes_words(advice.closing_minutes)
    indented(console, f"Closing up at the end takes {closing}.", "dim")


def _cells(test: TestAdvice | WhileOpen, rate: float) -> tuple[str, str, str]:
    return words.minutes_number(test.minutes).rjust(4), f"{test.gain_bits:.2f}", f"{rate:.3f}"


def _add(table: Table, test: TestAdvice | WhileOpen, cells: Iterable[str], *behind: str) -> None:
    """A row for a test, pale when it is not worth doing."""
    title = Text.assemble(test.title, (f"  {test.test}", "cyan"))
    table.add_row(*cells, title, *behind, style="" if test.worth_doing else "dim")


def show_further(console: Console, machine: Machine, further: FurtherLook) -> None:
    """Minutes left, the leading actions compared, the likeliest steps."""
    headline(console, "Further ahead")
    told = f"{words.left_words(further)}; {words.error_words(further)}"
    indented(console, f"{told[0].upper()}{told[1:]}.")
    table = grid("min left", "+-", "if this comes next")
    for action in further.actions:
        chosen = "bold" if action == further.best else ""
        table.add_row(
            Text(words.minutes_number(action.minutes).rjust(8), chosen),
            words.minutes_number(action.error_minutes),
            Text(words.action_words(machine, action.action, action.target), chosen),
        )
    indented(console, table)
    indented(console, "Most likely it goes on so, with the chance that it comes so far", "dim")
    for number, step in enumerate(further.and_then, 1):
        indented(console, f"{number}  {words.step_words(machine, step)}")
