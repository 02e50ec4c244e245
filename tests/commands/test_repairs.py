"""Repairs at the command line and at the bench."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import pytest

from diagnose.advice.explain import percent
from diagnose.commands.turn import Said, Turn
from diagnose.job import Job
from diagnose.paper.words import minutes_words

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran

    Call = Callable[..., Ran]

BEFORE = ("--before", "battery_rest=12.6V", "--before", "see_lamp=on")


def relay_job(cart: str, check: str) -> Job:
    job = Job.open(cart, "silent").record("battery_rest", 12.6).record("see_lamp", "on")
    return job.repair("start_relay", "replace", check)


def test_advise_takes_repairs_with_what_was_found_before_them(call: Call, cart: str) -> None:
    options = (
        "-c",
        "silent",
        *BEFORE,
        "--repaired",
        "start_relay.replace=same",
        "-f",
        "see_lamp=on",
    )
    ran = call("advise", cart, *options, "--json")
    wanted = relay_job(cart, "same").record("see_lamp", "on").advise().to_dict()
    assert ran.json == json.loads(json.dumps(wanted))
    shown = " ".join(call("advise", cart, *options).out.split())
    title = Job.open(cart, "silent").machine.complaints["silent"].title
    assert f"now: {title}" in shown
    assert shown.index("12.6 V") < shown.index("Repaired: ") < shown.index("What it may be")


def test_a_complaint_that_is_gone_ends_the_job(call: Call, cart: str) -> None:
    shown = call(
        "advise", cart, "-c", "silent", *BEFORE, "--repaired", "start_relay.replace=runs"
    ).out
    assert "\nDone\n" in shown
    assert "It starts and runs after the last repair." in " ".join(shown.split())
    assert "Try every interlock before it goes out." in shown
    assert "Tests, best first" not in shown


def test_findings_go_before_the_repair_with_their_number(call: Call, cart: str) -> None:
    ran = call(
        *("advise", cart, "-c", "silent", "--json"),
        *("--before", "see_lamp=on", "--before", "2:battery_rest=12.6V"),
        *(
            "--repaired",
            "start_relay.replace=same",
            "--repaired",
            "starter_motor.replace=unchecked",
        ),
    )
    assert [(one["test"], one["repairs_before"]) for one in ran.json["findings"]] == [
        ("see_lamp", 0),
        ("battery_rest", 1),
    ]
    assert [one["check"] for one in ran.json["repairs"]] == ["silent", None]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (
            ("--repaired", "start_relay.replace"),
            "expected PART.REPAIR=runs, =same, =unchecked, or the",
        ),
        (("--repaired", "start_relay=runs"), "expected PART.REPAIR=runs"),
        (("--before", "see_lamp=on"), "--repaired names 0"),
        (
            ("--before", "3:see_lamp=on", "--repaired", "start_relay.replace=same"),
            "--repaired names 1",
        ),
        (
            ("--before", "see_lamp", "--repaired", "start_relay.replace=same"),
            "expected TEST=OUTCOME",
        ),
    ],
)
def test_what_cannot_be_read(call: Call, cart: str, options: tuple[str, ...], told: str) -> None:
    ran = call("advise", cart, "-c", "silent", *options)
    assert ran.code == 2
    assert told in " ".join(ran.err.replace("│", " ").split())


def test_a_repair_that_is_not_in_the_file(call: Call, cart: str) -> None:
    ran = call("advise", cart, "-c", "silent", "--repaired", "start_relay.replac=same")
    assert ran.code == 3
    assert "nearest is 'replace'" in ran.err


def test_the_bench_goes_on_after_a_repair(call: Call, cart: str, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.txt"
    typed = (
        "see_lamp=on",
        "battery_rest=12,6",
        "repaired start_relay.replace same",
        "see_lamp=on",
    )
    ran = call("bench", cart, "-c", "silent", "--sheet", str(sheet), typed=(*typed, "quit"))
    assert "Repaired: " in ran.out
    title = Job.open(cart, "silent").machine.complaints["silent"].title
    assert f"now: {title}" in " ".join(ran.out.split())
    text = sheet.read_text("utf-8")
    assert text.index("  2. ") < text.index("  *  Repaired: ") < text.index("  3. ")


def test_the_bench_ends_with_done(call: Call, cart: str) -> None:
    typed = ("repaired start_relay.replace runs", "list", "open", "why", "quit")
    talk, sheet = call("bench", cart, "-c", "silent", typed=typed).out.split("FINDING SHEET")
    _, ended, listed, opened, why, _ = talk.split("> ")
    assert "It runs\nCause" in ended
    assert not re.search(r"\bDo\b|Good is|min left", ended + listed + opened + why)
    assert "Tests, best first" not in listed
    assert "While it is open" not in opened
    assert "It starts and runs after the last repair." in " ".join(why.split())
    assert sheet.index("\nCause\n") < sheet.index("\nDone\n") < sheet.index("\nReadings before")
    assert "Likeliest failures" not in sheet
    assert "\nNext\n" not in sheet
    assert "It starts and runs after the last repair." in " ".join(sheet.split())
    back = call("bench", cart, "-c", "silent", "--json", typed=(typed[0], "undo", "quit"))
    assert back.json == call("advise", cart, "-c", "silent", "--json").json


def test_the_end_says_cause_readings_minutes_and_what_is_left(call: Call, cart: str) -> None:
    """Every figure from the machine file: tests, opening and closing once, repair, two tries."""
    typed = ("battery_rest=11.2", "repaired battery.charge runs", "battery_rest=12.7", "quit")
    talk, sheet = call("bench", cart, "-c", "silent", typed=typed).out.split("FINDING SHEET")
    machine = Job.open(cart, "silent").machine
    ended = " ".join(talk.split("> ")[3].split())
    charge = next(repair for repair in machine.parts["battery"].repairs if repair.id == "charge")
    areas = [machine.areas[area] for area in ("seat", "tray")]
    minutes = 2 * machine.tests["battery_rest"].minutes + charge.minutes
    minutes += machine.shop.check_minutes
    minutes += sum(area.open_minutes + area.close_minutes for area in areas)
    closing = sum(area.close_minutes for area in areas)
    flat = machine.parts["battery"].modes["flat"].title
    for told in (ended, " ".join(sheet.split())):
        assert f"Cause Battery: {flat} (" in told
        assert f"Done Battery: {charge.title}" in told
        assert "Battery at rest: 11.2 V before, 12.7 V after" in told
        assert f"about {minutes_words(minutes)}" in told
        assert "Try every interlock before it goes out." in told
        assert f"Close up what stands open, {minutes_words(closing)}." in told


def test_a_fuse_and_a_loose_joint_are_watched(call: Call, cart: str) -> None:
    typed = ("repaired main_fuse.replace runs", "quit")
    ended = call("bench", cart, "-c", "silent", typed=typed).out
    assert "If the fuse blows again, find the short behind it first." in ended
    job = Job.open(cart, "silent").record("move_plug", "comes_and_goes")
    advice = job.repair("main_fuse", "replace", "runs").advise()
    assert advice.verdict.action == "done"
    loose = next(one.probability for one in advice.suspects if one.mode == "loose")
    assert loose > 0.05
    typed = ("move_plug=comes_and_goes", *typed)
    ended = " ".join(call("bench", cart, "-c", "silent", typed=typed).out.split())
    assert f"May still be there: Relay plug: loose ({percent(loose)})" in ended


def test_after_a_repair_it_may_do_something_else(call: Call, cart: str) -> None:
    """`repaired` alone lists what trying it may show; a number is a complaint of the file."""
    machine = Job.open(cart, "silent").machine
    typed = ("see_lamp=off", "fuse_lamp=dark", "see_fuse=damage_seen", "repaired", "repaired 1")
    screens = call("bench", cart, "-c", "silent", typed=typed).out.split("> ")
    proposed, listed, after = (" ".join(text.split()) for text in screens[3:6])
    assert "Do Main fuse: " in proposed
    assert (
        "Type try it, then `repaired runs`, `repaired same`, or `repaired` for a list" in proposed
    )
    for number, complaint in enumerate(machine.complaints.values(), 1):
        assert f"repaired {number} {complaint.title}" in listed
    assert "repaired other" in listed
    assert after.startswith("Repaired: Main fuse: ")
    assert f"now: {machine.complaints['silent'].title}" in after
    turn = Turn.of(Job.open(cart, "silent").record("see_lamp", "off"))
    assert turn.after(Said("repaired", "main_fuse.replace 2")).job.repairs[-1].check == "slow_crank"


def test_the_bench_says_what_it_cannot_take(call: Call, cart: str) -> None:
    ran = call("bench", cart, "-c", "silent", typed=("repaired fine", "repaired same", "quit"))
    assert "unknown check 'fine'" in ran.out
    assert "unknown part ''" in ran.out
