"""Repairs at the command line and at the bench."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from diagnose.job import Job

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran

    Call = Callable[..., Ran]

BEFORE = ("--before", "battery_rest=12.6V", "--before", "see_lamp=on")


def fuse_job(cart: str, *, gone: bool) -> Job:
    job = Job.open(cart, "silent").record("battery_rest", 12.6).record("see_lamp", "on")
    return job.repair("start_relay", "replace", gone=gone)


def test_advise_takes_repairs_with_what_was_found_before_them(call: Call, cart: str) -> None:
    options = (
        "-c",
        "silent",
        *BEFORE,
        "--repaired",
        "start_relay.replace=still",
        "-f",
        "see_lamp=on",
    )
    ran = call("advise", cart, *options, "--json")
    wanted = fuse_job(cart, gone=False).record("see_lamp", "on").advise().to_dict()
    assert ran.json == json.loads(json.dumps(wanted))
    shown = " ".join(call("advise", cart, *options).out.split())
    assert "no change, the complaint is still there" in shown
    assert shown.index("12.6 V") < shown.index("Repaired: ") < shown.index("What it may be")


def test_a_complaint_that_is_gone_ends_the_job(call: Call, cart: str) -> None:
    shown = call(
        "advise", cart, "-c", "silent", *BEFORE, "--repaired", "start_relay.replace=gone"
    ).out
    assert "\nDone\n" in shown
    assert "The complaint is gone after the last repair." in " ".join(shown.split())


def test_findings_go_before_the_repair_with_their_number(call: Call, cart: str) -> None:
    ran = call(
        *("advise", cart, "-c", "silent", "--json"),
        *("--before", "see_lamp=on", "--before", "2:battery_rest=12.6V"),
        *(
            "--repaired",
            "start_relay.replace=still",
            "--repaired",
            "starter_motor.replace=unchecked",
        ),
    )
    assert [(one["test"], one["repairs_before"]) for one in ran.json["findings"]] == [
        ("see_lamp", 0),
        ("battery_rest", 1),
    ]
    assert [one["gone"] for one in ran.json["repairs"]] == [False, None]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--repaired", "start_relay.replace"), "expected PART.REPAIR=gone, =still or =unchecked"),
        (("--repaired", "start_relay=gone"), "expected PART.REPAIR=gone"),
        (("--before", "see_lamp=on"), "--repaired names 0"),
        (
            ("--before", "3:see_lamp=on", "--repaired", "start_relay.replace=still"),
            "--repaired names 1",
        ),
        (
            ("--before", "see_lamp", "--repaired", "start_relay.replace=still"),
            "expected TEST=OUTCOME",
        ),
    ],
)
def test_what_cannot_be_read(call: Call, cart: str, options: tuple[str, ...], told: str) -> None:
    ran = call("advise", cart, "-c", "silent", *options)
    assert ran.code == 2
    assert told in " ".join(ran.err.replace("│", " ").split())


def test_a_repair_that_is_not_in_the_file(call: Call, cart: str) -> None:
    ran = call("advise", cart, "-c", "silent", "--repaired", "start_relay.replac=still")
    assert ran.code == 3
    assert "nearest is 'replace'" in ran.err


def test_the_bench_goes_on_after_a_repair(call: Call, cart: str, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.txt"
    typed = (
        "see_lamp=on",
        "battery_rest=12,6",
        "repaired start_relay.replace still",
        "see_lamp=on",
    )
    ran = call("bench", cart, "-c", "silent", "--sheet", str(sheet), typed=(*typed, "quit"))
    assert "Repaired: " in ran.out
    assert "no change, the complaint is still there" in " ".join(ran.out.split())
    text = sheet.read_text("utf-8")
    assert text.index("  2. ") < text.index("  *  Repaired: ") < text.index("  3. ")


def test_the_bench_ends_with_done(call: Call, cart: str) -> None:
    typed = ("repaired start_relay.replace gone", "quit")
    ran = call("bench", cart, "-c", "silent", typed=typed)
    assert "\nDone\n" in ran.out
    assert "Next\n  The complaint is gone" in ran.out
    back = call("bench", cart, "-c", "silent", "--json", typed=(typed[0], "undo", "quit"))
    assert back.json == call("advise", cart, "-c", "silent", "--json").json


def test_the_bench_says_what_it_cannot_take(call: Call, cart: str) -> None:
    ran = call("bench", cart, "-c", "silent", typed=("repaired fine", "repaired still", "quit"))
    assert "unknown check 'fine'" in ran.out
    assert "unknown part ''" in ran.out
