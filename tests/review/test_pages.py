"""What is written about reviews: Markdown, the command, and the page on machine files."""

from __future__ import annotations

import re
from importlib import resources
from typing import TYPE_CHECKING

import pytest

from diagnose.commands.program import run
from diagnose.errors import RequestError
from diagnose.job import Job
from diagnose.machine.load import load_machine, machine_names, read_machine
from diagnose.review.review import TOOL_SETS, review_machine, review_table, review_tool_sets
from diagnose.review.table import make_table
from diagnose.review.tables import (
    BEGIN,
    END,
    insert_tables,
    machine_section,
    percent,
    tables_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Machine

PAGE = resources.files("diagnose.models").joinpath("README.md").read_text("utf-8")
FOLLOWED = "standby_pump"
"""The machine whose jobs are followed in full; those of the others take minutes."""

REMEDY = "run `diagnose review --all --update models/README.md`"


def example() -> str:
    blocks = re.findall(r"^```yaml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 1
    return str(blocks[0])


def test_the_worked_example_is_a_machine_of_ten_parts() -> None:
    machine = read_machine(example())
    assert len(machine.parts) == 10
    assert f"{len(machine.tests)} tests" in PAGE.replace("fifteen", "15")


def test_the_worked_example_reviews_well() -> None:
    found = review_machine(read_machine(example()))
    assert found.weighted.detected == 1.0
    assert found.weighted.isolated[0] == 1.0


def test_the_worked_example_finds_an_open_relay_coil() -> None:
    # the story told below the example
    machine = read_machine(example())
    table = make_table(machine)
    fault = table.faults.index(("start_relay", "coil_open"))
    row = {test.id: i for i, test in enumerate(table.tests)}
    job, done = Job.open(machine, "silent"), []
    while (verdict := job.advise().verdict).action in {"test", "recheck"}:
        test = machine.tests[verdict.target]
        shown = test.outcomes[table.predicted[row[test.id], fault]].id
        if verdict.action == "recheck":
            assert verdict.target == "listen_relay"  # once more before a relay is fitted
            job = job.record_again(test.id, shown)
            continue
        done.append(test.id)
        job = job.record(test.id, shown)
        job = job if test.area is None else job.open_area(test.area)
    assert done[:3] == ["listen_relay", "look_lamp", "coil_volts"]
    assert len(done) <= 5
    assert (verdict.action, verdict.target) == ("repair", "start_relay.replace")
    assert job.advise().suspects[0].probability > 0.9


def test_numbers_named_in_the_text_are_those_of_the_example() -> None:
    table = make_table(read_machine(example()))
    row = next(i for i, test in enumerate(table.tests) if test.id == "battery_cranking")
    read = dict(zip(table.faults, table.readings[row, :-1].max(axis=-1), strict=True))
    assert f"{table.readings[row, -1, 0]:.2f} V when\ngood" in PAGE
    assert f"{read['battery', 'low']:.2f} V with a low" in PAGE
    assert f"{read['starter', 'dragging']:.2f} V with a dragging" in PAGE
    assert f"until {read['battery', 'flat']:.2f} V" in PAGE


def sections() -> dict[str, str]:
    found = re.split(r"^### ", tables_of(PAGE), flags=re.MULTILINE)
    return {part.partition("\n")[0]: f"### {part.strip()}" for part in found if part.strip()}


def test_the_page_has_a_table_for_every_machine() -> None:
    assert tuple(sections()) == machine_names(), REMEDY


def without_jobs(section: str) -> list[str]:
    """The lines without what only following jobs tells."""
    lines = [line for line in section.splitlines() if not line.startswith("- Tests that no job")]
    return [line.rsplit("|", 2)[0] if line.startswith("|") else line for line in lines]


@pytest.mark.parametrize("name", machine_names())
def test_the_tables_on_the_page_are_current(name: str) -> None:
    machine = load_machine(name)
    table = make_table(machine)
    reviews = {
        words: review_table(table, _tools(machine, tools), set())
        for words, tools in TOOL_SETS.items()
    }
    written = without_jobs(sections()[name])
    assert without_jobs(machine_section(machine, reviews).strip()) == written, REMEDY


def _tools(machine: Machine, tools: tuple[str, ...] | None) -> tuple[str, ...]:
    return tuple(tool for tool in machine.tools if tool in (tools or set(machine.tools) - {"none"}))


def test_the_jobs_behind_the_tables_are_current() -> None:
    found = machine_section(load_machine(FOLLOWED), review_tool_sets(FOLLOWED))
    assert found.strip() == sections()[FOLLOWED], REMEDY


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0, "0 %"), (0.001, "1 %"), (0.555, "56 %"), (0.9999, "99 %"), (1.0, "100 %")],
)
def test_percentages_never_round_to_all_or_none(share: float, words: str) -> None:
    assert percent(share) == words


def test_tables_go_between_the_markers_only() -> None:
    page = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    new = insert_tables(page, "new")
    assert new == f"before\n{BEGIN}\n\nnew\n\n{END}\nafter\n"
    assert tables_of(new) == "new"
    assert insert_tables(new, "new") == new
    for broken in ("no markers", f"{END} {BEGIN}", page + BEGIN):
        with pytest.raises(RequestError, match="review tables: begin"):
            insert_tables(broken, "new")


def test_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], bench_lamp_path: Path
) -> None:
    file = tmp_path / "d.csv"
    assert run(["review", str(bench_lamp_path), "--csv", str(file)]) == 0
    out = capsys.readouterr().out
    assert "isolated to 1 repair item" in out
    assert "90 % (60 %)" in out
    assert file.read_text().startswith("fault,part,mode,per_1000_jobs,detected,repair_items,look,")
    assert run(["review", str(bench_lamp_path), "--tools", "lamp", "--json"]) == 0
    assert '"test_lamp"' in capsys.readouterr().out
    assert run(["review", str(bench_lamp_path), "--markdown", "--tools", "meter"]) == 0
    assert capsys.readouterr().out.startswith("### bench_lamp\n")


@pytest.mark.parametrize(
    "words", [[], ["x.yaml", "--all"], ["--all", "--json"], ["x.yaml", "--update", "f.md"]]
)
def test_the_command_refuses_what_does_not_fit(words: list[str]) -> None:
    assert run(["review", *words]) == 2
