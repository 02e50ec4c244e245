"""`diagnose bench`: a talk typed in advance."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import pytest

from diagnose.commands.turn import WORDS
from diagnose.job import Job
from diagnose.machine.load import load_machine
from diagnose.paper.words import outcome_words

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran

    Bench = Callable[..., Ran]


@pytest.fixture
def bench(call: Callable[..., Ran], cart: str) -> Bench:
    """Type lines at the bench of a silent cart."""

    def typing(*typed: str, options: tuple[str, ...] = ()) -> Ran:
        return call("bench", cart, "-c", "silent", *options, typed=typed)

    return typing


def answer(ran: Ran) -> dict[str, object]:
    found: dict[str, object] = ran.json
    return found


def test_it_asks_for_the_complaint(call: Callable[..., Ran], cart: str) -> None:
    ran = call("bench", cart, typed=("9", "slw_crank", "2", "quit"))
    assert ran.code == 0
    assert "nearest is 'slow_crank'" in ran.out
    assert "Complaint   Cranks too slowly" in ran.out or "slow" in ran.out.split("Complaint")[1]


def test_it_stops_when_nobody_names_a_complaint(call: Callable[..., Ran], cart: str) -> None:
    assert call("bench", cart).code == 130


def test_it_proposes_what_advise_proposes(bench: Bench, cart: str) -> None:
    advice = Job.open(cart, "silent").advise()
    shown = " ".join(bench("quit").out.split())
    assert advice.tests[0].title in shown
    why = " ".join(bench("why", "quit").out.split())
    assert " ".join(advice.verdict.reason.split()) in why


def test_outcomes_and_readings_are_taken(bench: Bench, cart: str) -> None:
    ran = bench("do see_lamp", "on", "do battery_rest", "12,6", "quit", options=("--json",))
    job = Job.open(cart, "silent").record("see_lamp", "on").open_area("tray")
    wanted = job.record("battery_rest", 12.6).advise().to_dict()
    assert answer(ran) == json.loads(json.dumps(wanted))


def test_a_result_of_another_test_is_taken(bench: Bench) -> None:
    ran = bench("see_nest=found", options=("--json",))
    findings = [(one["test"], one["outcome"]) for one in answer(ran)["findings"]]  # type: ignore[attr-defined]
    assert findings == [("see_nest", "found")]


def test_what_was_opened_for_a_test_stands_open(bench: Bench) -> None:
    ran = bench("see_nest=found", "open", "quit")
    assert "Left open: seat." in ran.out
    assert re.search(r"open {4}.*seat$", ran.out, re.MULTILINE)
    assert re.search(r"closed {2}.*tray$", ran.out, re.MULTILINE)


def test_the_customer_may_mean_something_else(bench: Bench, cart: str) -> None:
    """What was found stays; by name or by number."""
    said = list(load_machine(cart).complaints)
    other = next(name for name in said if name != "silent")
    for typed in (other, str(said.index(other) + 1)):
        told = answer(bench("see_lamp=on", f"complaint {typed}", options=("--json",)))
        wanted = Job.open(cart, other).record("see_lamp", "on").advise().to_dict()
        assert told["complaint"] == other
        assert told["suspects"] == json.loads(json.dumps(wanted["suspects"]))
    assert "nearest" in bench(f"complaint {other}x", "quit").out


def test_undo_takes_finding_and_opening_back_in_one(bench: Bench) -> None:
    bare = answer(bench(options=("--json",)))
    assert answer(bench("see_nest=found", "undo", options=("--json",))) == bare
    assert answer(bench("undo", options=("--json",))) == bare


def test_skip_proposes_another_test(bench: Bench) -> None:
    first = answer(bench(options=("--json",)))["verdict"]
    after = answer(bench("skip no room", options=("--json",)))["verdict"]
    assert first["target"] != after["target"]  # type: ignore[index]


def test_open_and_close_change_the_minutes(bench: Bench) -> None:
    def minutes(*typed: str) -> float:
        tests = answer(bench(*typed, options=("--json",)))["tests"]
        (found,) = [one["minutes"] for one in tests if one["test"] == "see_nest"]  # type: ignore[attr-defined]
        return float(found)

    assert minutes("open seat") < minutes() == minutes("open seat", "close seat")


def test_why_says_what_each_result_leaves_and_what_a_meter_reads(bench: Bench, cart: str) -> None:
    job = Job.open(cart, "silent")
    shown = " ".join(bench("do battery_rest", "why").out.split())
    good, first, *_ = job.expect("battery_rest")
    assert f"{good.typical:.3g} V" in shown
    assert "all good" in shown
    mode = job.machine.parts[first.part].modes[first.mode]
    assert mode.title in shown
    for outcome, suspects in job.consequence("battery_rest").items():
        assert outcome_words(job.machine, "battery_rest", outcome) in shown
        assert f"{100 * suspects[0].probability:.1f} %" in shown


def test_list_and_help(bench: Bench) -> None:
    shown = bench("list", "help").out
    assert "bits/min" in shown
    assert "take back the last thing" in shown
    helped = shown.split("> ")[2].splitlines()
    columns = {
        line.index(meaning) for line in helped for meaning in WORDS.values() if meaning in line
    }
    assert len(columns) == 1
    assert columns.pop() > max(map(len, WORDS))


def test_a_test_is_asked_for_by_its_bare_name_and_again_once_done(bench: Bench, cart: str) -> None:
    title = load_machine(cart).tests["see_nest"].title
    screens = bench("see_nest", "found", "see_nest", "not_found", "quit", options=("--json",)).err
    asked = [f"Do       {title}." in screen for screen in screens.split("> ")]
    assert asked == [False, True, False, True, False, False]
    assert "Taken: not found" in screens.split("> ")[4]


@pytest.mark.parametrize("typed", ["off", "of", "3", "OFF"])
def test_outcomes_are_typed_by_number_or_beginning(bench: Bench, typed: str) -> None:
    assert "Taken: off" in bench("see_lamp", typed, "quit").out


def test_a_lamp_and_a_meter_are_told_where_to_go(bench: Bench, cart: str) -> None:
    """Red and black by the words that the file has for the nets; then the controls."""
    machine = load_machine(cart)
    screens = [" ".join(text.split()) for text in bench("coil_volts", "fuse_lamp").out.split("> ")]
    coil, rest = machine.nets["coil_in"].removeprefix("the "), machine.conditions["rest"].title
    frame = machine.nets["frame"].removeprefix("the ")
    held = machine.conditions["start_held"].title
    wanted = (
        f"Do {machine.tests['coil_volts'].title}. Red: {coil}. Black: {frame}. {held}. Good is "
    )
    assert wanted in screens[1]
    fused = machine.nets["fused"].removeprefix("the ")
    wanted = f"Do {machine.tests['fuse_lamp'].title}. Tip: {fused}. Clip: {frame}. {rest}. Good is"
    assert wanted in screens[2]
    assert "Type 1 bright, 2 dim, 3 dark, 4 comes and goes" in screens[2]


@pytest.mark.parametrize(
    ("test", "good", "typed"),
    [
        ("battery_rest", "12.6 V (12.4 V or more)", "volts, `unsteady`"),
        ("ground_drop", "V (below 0.3 V)", "volts, `unsteady`"),
        ("trigger_ohms", "below 1.5 ohm", "ohms, `open` or `unsteady`"),
        ("crank_amps", "50 to 150 A", "amps, `unsteady`"),
        ("see_fuse", "nothing seen", "1 damage seen, 2 nothing seen"),
        ("see_nest", "not found", "1 found, 2 not found"),
        ("hear_relay", "pulls in", "1 pulls in, 2 chatters, 3 silent"),
        ("other_relay", "normal", "1 normal, 2 slow, 3 not at all"),
        ("move_plug", "steady", "1 comes and goes, 2 steady"),
    ],
)
def test_good_and_what_to_type(bench: Bench, test: str, good: str, typed: str) -> None:
    """Bounds as the cart's file, or the dictionary of test kinds, has them."""
    before = ("battery_rest=12.6",) if test == "trigger_ohms" else ()
    shown = " ".join(bench(*before, test, "").out.split())
    told = re.findall(r"Good is (.*?) Type (.*?) >", shown)[-1]
    assert good in told[0]
    assert typed in told[1]


def test_enter_lists_all_that_can_be_typed(bench: Bench) -> None:
    shown = bench("hear_relay", "", "quit").out.split("> ")[2]
    assert re.findall(r"^ +(\d) +(.*?) *$", shown, re.MULTILINE) == [
        ("1", "pulls in"),
        ("2", "chatters"),
        ("3", "silent"),
    ]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("do nothing_such", "unknown test"),
        ("do 99", "there is no test 99 in the list; it goes from 1 to 9"),
        ("do see_nst", "nearest is 'see_nest'"),
        ("see_nst", "unknown outcome 'see_nst'; nearest is 'see_nest'"),
        ("onn", "unknown outcome 'onn'; nearest is 'on'"),
        ("7", "there is no outcome 7 in the list; it goes from 1 to 3"),
        ("see_nst=found", "nearest is 'see_nest'"),
        ("battery_rest=120V", "out of range"),
        ("battery_rest=3 ohm", "cannot read"),
        ("open seet", "nearest is 'seat'"),
        ("close", "closed"),
        ("mumble", "unknown outcome 'mumble'"),
    ],
)
def test_what_does_not_fit_is_said_and_nothing_changes(bench: Bench, line: str, said: str) -> None:
    ran = bench(line, options=("--json",))
    assert ran.code == 0
    assert said in ran.err
    assert answer(ran)["findings"] == []


def test_a_clash_is_not_taken(call: Callable[..., Ran], certain_cart: str) -> None:
    typed = ("battery_rest=charged", "coil_volts=full", "trigger_ohms=open", "quit")
    ran = call("bench", certain_cart, "-c", "silent", "--json", typed=typed)
    assert ran.code == 0
    assert "cannot all be true: coil_volts=full, trigger_ohms=open" in ran.err
    assert [one["test"] for one in ran.json["findings"]] == ["battery_rest", "coil_volts"]


def test_the_sheet_says_what_was_found(bench: Bench, tmp_path: Path, cart: str) -> None:
    file = tmp_path / "sheet.txt"
    ran = bench("see_lamp=on", "battery_rest=12.6 V", options=("--sheet", str(file)))
    sheet = file.read_text("utf-8")
    assert ran.out.endswith(sheet)
    assert max(map(len, sheet.splitlines())) <= 78
    job = Job.open(cart, "silent").record("see_lamp", "on").record("battery_rest", 12.6)
    advice = job.open_area("tray").advise()
    text = " ".join(sheet.split())
    assert job.machine.complaints["silent"].title in text
    assert "2. Battery at rest: 12.6 V" in text
    first = advice.suspects[0]
    assert job.machine.parts[first.part].modes[first.mode].title in text
    assert " ".join(advice.verdict.reason.split()) in text
    assert "maker's service manual" in text
    area = job.machine.areas["tray"].title
    assert f"Stands open: {job.machine.areas['seat'].title}, {area}." in text


def test_the_sheet_names_what_was_left_out(bench: Bench, cart: str) -> None:
    ran = bench("do see_lamp", "skip bulb taken out")
    title = load_machine(cart).tests["see_lamp"].title
    assert f"Not done: {title} (bulb taken out)." in ran.out


def test_a_job_worked_to_its_repair(call: Callable[..., Ran], cart: str) -> None:
    """A blown fuse, seen: the bench proposes to put it right and says how."""
    typed = ("see_lamp=off", "fuse_lamp=dark", "see_fuse=damage_seen", "why", "good", "skip")
    ran = call("bench", cart, "-c", "silent", typed=typed)
    repair = load_machine(cart).parts["main_fuse"].repairs[0]
    talk, sheet = ran.out.split("FINDING SHEET")
    assert f"Main fuse: {repair.title}" in talk
    assert "unknown word 'good'" in talk  # no test is asked for any more
    assert "unknown word 'skip'" in talk
    assert f"Repair: Main fuse. {repair.title}." in " ".join(sheet.split())
