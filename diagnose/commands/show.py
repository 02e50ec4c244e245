"""An answer laid out for reading at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from diagnose.commands import words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rich.console import Console

    from diagnose.advice.advice import Advice, RecordedFinding, RecordedRepair, Suspect, TestAdvice
    from diagnose.job import Job
    from diagnose.machine.model import Machine

BAR_CELLS = 20
EIGHTHS = " ▏▎▍▌▋▊▉"
ANYWAY = 1.05
"""From this ratio on it is said that the repair will need the area too. Estimate."""

SURPRISING_BITS = 7.0
"""A finding that had less than one chance in 128 is worth reading again. Estimate."""


def bar(probability: float) -> str:
    """A bar of `BAR_CELLS` cells, filled to an eighth of a cell."""
    eighths = round(min(max(probability, 0.0), 1.0) * BAR_CELLS * 8)
    whole, part = divmod(eighths, 8)
    return ("█" * whole + (EIGHTHS[part] if part else "")).ljust(BAR_CELLS)


def show_heading(console: Console, machine: Machine, complaint: str) -> None:
    """Which machine, and what the customer says."""
    console.print(Text(f"{machine.title} ({machine.id}, version {machine.version})", "bold"))
    console.print(Text(f"Customer: {machine.complaints[complaint].title}"))
    console.print(Text("The maker's manual and local rules come before anything said here.", "dim"))


def show_advice(console: Console, job: Job, advice: Advice, top: int) -> None:
    """The whole answer: findings, suspects, what to do, and the next best tests."""
    machine = job.machine
    show_heading(console, machine, advice.complaint)
    show_findings(console, machine, advice)
    show_suspects(console, machine, advice.suspects, top)
    show_verdict(console, machine, advice)
    show_tests(console, machine, advice.tests[:top])
    show_while_open(console, job, advice, top)


def show_findings(console: Console, machine: Machine, advice: Advice) -> None:
    """What was found and repaired so far, in the order it happened."""
    if advice.findings or advice.repairs:
        headline(console, "Found so far")
    for number in range(len(advice.repairs) + 1):
        for finding in advice.findings:
            if finding.repairs_before == number:
                line = Text(f"{machine.tests[finding.test].title}: ")
                indented(console, line.append(finding_line(machine, finding)))
        if number < len(advice.repairs):
            indented(console, repair_line(machine, advice.repairs[number]))
    if advice.folded_repairs:
        told = words.folded_words(advice.folded_repairs)
        indented(console, Text(told, "yellow"))


def repair_line(machine: Machine, repair: RecordedRepair) -> Text:
    """A repair that was done, and what the check after it showed."""
    line = Text(f"Repaired: {words.repair_words(machine, repair)}: ", "green")
    line.append(words.check_words(repair.gone), "bold green")
    return line


def finding_line(machine: Machine, finding: RecordedFinding) -> Text:
    """What a finding says; marked when it is a surprise."""
    line = Text(words.result_words(machine, finding), "bold")
    if finding.surprise_bits >= SURPRISING_BITS:
        line.append(f"  unexpected ({finding.surprise_bits:.0f} bits): read it again", "yellow")
    return line


def show_suspects(
    console: Console, machine: Machine, suspects: Sequence[Suspect], top: int
) -> None:
    """The likeliest failures as bars, and what all the others add up to."""
    headline(console, "What it may be")
    table = _grid()
    for suspect in suspects[:top]:
        table.add_row(
            Text(words.percent(suspect.probability).rjust(7)),
            Text(bar(suspect.probability), "cyan"),
            Text(words.fault_words(machine, suspect.part, suspect.mode)),
        )
    indented(console, table)
    rest = suspects[top:]
    if rest:
        largest = words.percent(rest[0].probability)
        console.print(Text(f"  and {len(rest)} more, none above {largest}", "dim"))


def show_verdict(console: Console, machine: Machine, advice: Advice) -> None:
    """What to do now and why, with the cautions."""
    verdict = advice.verdict
    test = next((one for one in advice.tests if one.test == verdict.target), None)
    repair = words.repair_of(machine, verdict.target)
    if verdict.action in {"test", "recheck"} and test is not None:
        headline(console, "Do next" if verdict.action == "test" else "Do again")
        show_test(console, machine, test)
    elif verdict.action == "repair" and repair is not None:
        headline(console, "Repair")
        part, one = repair
        price = f", {one.price_eur:.0f} EUR in parts" if one.price_eur else ""
        cost = f"{words.minutes_words(one.minutes)}{price}"
        indented(console, Text(f"{words.part_words(machine, part)}: {one.title} ({cost})", "bold"))
        show_cautions(console, words.caution_texts(machine, one.cautions))
    else:
        headline(console, words.ACTIONS[verdict.action])
    indented(console, Text(verdict.reason))


def show_test(console: Console, machine: Machine, test: TestAdvice) -> None:
    """One test: what to do, what it takes, what it tells, what to mind."""
    indented(console, Text.assemble((test.title, "bold"), (f"  {test.test}", "cyan")))
    indented(console, Text(effort_words(machine, test)))
    show_cautions(console, test.cautions)


def effort_words(machine: Machine, test: TestAdvice) -> str:
    """What a test takes and tells, in one line."""
    held = "" if test.tool == words.NO_TOOL else f", {machine.tools[test.tool].title}"
    opens = f", first: {words.area_words(machine, test.opens)}" if test.opens else ""
    gain = f"{test.gain_bits:.2f} bits, {test.bits_per_minute:.2f} a minute"
    if test.bits_per_added_minute > test.bits_per_minute * ANYWAY:
        gain += f", {test.bits_per_added_minute:.2f} a minute beyond what the repair opens anyway"
    return f"{words.minutes_words(test.minutes)}{held}{opens}; tells {gain}"


def show_cautions(console: Console, cautions: Iterable[str]) -> None:
    """Warnings, each with its mark."""
    for caution in cautions:
        indented(console, Text(f"! {caution}", "yellow"), 4)


def show_tests(console: Console, machine: Machine, tests: Sequence[TestAdvice]) -> None:
    """Tests as a table, best first."""
    if not tests:
        return
    headline(console, "Tests, best first")
    table = _grid("", "min", "added", "bits", "bits/min", "what to do", "first")
    for number, test in enumerate(tests, 1):
        table.add_row(
            Text(str(number)),
            Text(f"{test.minutes:.1f}".rjust(4)),
            Text(f"{test.added_minutes:.1f}".rjust(4)),
            Text(f"{test.gain_bits:.2f}"),
            Text(f"{test.bits_per_added_minute:.3f}"),
            Text.assemble(test.title, (f"  {test.test}", "cyan")),
            Text(words.area_words(machine, test.opens)),
            style="" if test.worth_doing else "dim",
        )
    indented(console, table)
    if any(test.added_minutes < test.minutes for test in tests):
        why = "Added: minutes without what the repair will have to open anyway; bits/min go by it."
        console.print(Text(f"  {why}", "dim"))
    if not all(test.worth_doing for test in tests):
        console.print(Text("  Pale ones are not expected to save more than they cost.", "dim"))


def show_while_open(console: Console, job: Job, advice: Advice, top: int) -> None:
    """What stands open, what that makes cheap, and what closing it will take."""
    machine = job.machine
    opened = [area for area in machine.areas if area in job.situation.open_areas]
    if not opened:
        return
    headline(console, f"While it is open: {words.area_words(machine, opened)}")
    table = _grid("min", "bits", "bits/min", "what to do")
    for test in advice.while_open[:top]:
        table.add_row(
            Text(f"{test.minutes:.1f}".rjust(4)),
            Text(f"{test.gain_bits:.2f}"),
            Text(f"{test.bits_per_minute:.3f}"),
            Text.assemble(test.title, (f"  {test.test}", "cyan")),
            style="" if test.worth_doing else "dim",
        )
    if advice.while_open:
        indented(console, table)
    closing = words.minutes_words(advice.closing_minutes)
    indented(console, Text(f"Closing up at the end takes {closing}.", "dim"))


def headline(console: Console, title: str) -> None:
    """A line that begins a block."""
    console.print()
    console.print(Text(title, "bold underline"))


def indented(console: Console, content: Text | Table, by: int = 2) -> None:
    """Print something a little to the right, without filling the lines up."""
    console.print(Padding(content, (0, 0, 0, by), expand=False))


def _grid(*headings: str) -> Table:
    table = Table(
        box=None,
        pad_edge=False,
        padding=(0, 2, 0, 0),
        show_header=bool(headings),
        header_style="dim",
    )
    for heading in headings:
        width = 46 if heading == "what to do" else None  # or the last column takes it all
        table.add_column(heading, overflow="fold", min_width=width)
    return table
