"""Priors files: written and read back, refused with places, laid over a machine."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.errors import PriorsFileError, PriorsMismatchError
from diagnose.machine.overlay import (
    Bin,
    Group,
    Judged,
    Overlay,
    Rate,
    Score,
    overlay_from_json,
    overlay_to_json,
)
from diagnose.machine.overlay_file import (
    overlay_text,
    parse_overlay,
    read_overlay,
    rounded,
    write_overlay,
)

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Machine


def full_overlay(machine: Machine) -> Overlay:
    """Says something of everything that an overlay can say."""
    rate = Rate(40.0, 20.0, 80.0, 6.25, 0.7)
    return Overlay(
        machine.id,
        machine.version,
        machine.content_hash,
        parent_hash="ab" * 32,
        window_from="2024-10-01",
        window_to="2026-04-30",
        orders=512,
        rates={("battery", "flat"): rate, ("relay_plug", "open"): Rate(9.0, 3.0, 20.0)},
        causes={"rodent_nest": Rate(50.0, 30.0, 70.0)},
        factors={("rodent_nest", "lamp_wire", "open"): 4.0},
        unlisted={"silent": Rate(12.0, 8.0, 18.0)},
        words_fit_percent={"silent": 91.0},
        slip_percent={"volts": 2.5},
        minutes={("test", "battery_rest"): 3.5, ("area", "seat"): 8.0,
                 ("repair", "battery.replace"): 21.0},
        new_part_bad_per_1000=7.0,
        not_identified=(Group(("battery.low", "battery.flat"), rate),),
        judged=Judged(
            "adopt",
            "The new priors forecast later orders better: +0.121 (standard error 0.03).",
            (Score("log score of an order, nats", -3.25, -3.125),),
            (Bin(0.25, 0.21, 0.2, 0.3, 40), Bin(0.75, 0.8, 0.7, 0.8, 12)),
        ),
    )  # fmt: skip


def test_what_is_written_is_read_back(larkfield: Machine, tmp_path: Path) -> None:
    overlay, file = full_overlay(larkfield), tmp_path / "priors.yaml"
    write_overlay(overlay, file)
    assert read_overlay(file, larkfield) == overlay
    assert read_overlay(file, larkfield).version == overlay.version  # the second time from the kept
    assert overlay_from_json(overlay_to_json(overlay)) == overlay


@given(st.lists(st.floats(1e-9, 300.0), min_size=3, max_size=3).map(sorted), st.floats(0.0, 1.0))
def test_any_rate_survives_the_file(larkfield: Machine, limits: list[float], learnt: float) -> None:
    low, rate, high = limits
    rates = {("battery", "flat"): Rate(rate, low, high, 1.0 / 3.0, learnt)}
    overlay = rounded(replace(full_overlay(larkfield), rates=rates))
    again = parse_overlay(overlay_text(overlay), larkfield)
    assert again == overlay
    assert again.version == overlay.version
    assert again.rates["battery", "flat"].per_1000_jobs == pytest.approx(rate, rel=5e-6)


def test_the_machine_has_the_new_figures_and_all_else_as_it_was(larkfield: Machine) -> None:
    known = full_overlay(larkfield).applied(larkfield)
    assert known.parts["battery"].modes["flat"].per_1000_jobs == 40.0
    assert known.parts["battery"].modes["low"] == larkfield.parts["battery"].modes["low"]
    assert known.shared_causes["rodent_nest"].per_1000_jobs == 50.0
    factors = {
        (one.part, mode): one.factor
        for one in known.shared_causes["rodent_nest"].raises
        for mode in one.modes
    }
    assert factors == {
        ("lamp_wire", "open"): 4.0,
        ("lamp_wire", "shorted"): 8.0,
        ("relay_plug", "open"): 8.0,
        ("main_fuse", "open"): 2.0,
    }
    assert known.complaints["silent"].unlisted_per_1000 == 12.0
    assert known.complaints["silent"].words_fit_percent == 91.0
    assert known.tests["coil_volts"].slip_percent == 2.5
    assert known.tests["ground_drop"] == larkfield.tests["ground_drop"]
    assert known.tests["battery_rest"].minutes == 3.5
    seat, before = known.areas["seat"], larkfield.areas["seat"]
    assert seat.open_minutes + seat.close_minutes == pytest.approx(8.0)
    assert seat.open_minutes * before.close_minutes == pytest.approx(
        seat.close_minutes * before.open_minutes
    )
    assert {r.id: r.minutes for r in known.parts["battery"].repairs}["replace"] == 21.0
    assert known.shop.new_part_bad_per_1000 == 7.0
    assert known.functions == larkfield.functions
    assert known.content_hash == larkfield.content_hash
    assert known.priors_version == full_overlay(larkfield).version != ""


def test_how_priors_were_judged_makes_no_others_of_them(larkfield: Machine) -> None:
    overlay = full_overlay(larkfield)
    plain = replace(overlay, judged=None)
    assert overlay.version == plain.version
    assert overlay.applied(larkfield) == plain.applied(larkfield)
    assert overlay.version != replace(overlay, orders=511).version


def test_an_empty_overlay_changes_no_figure(larkfield: Machine) -> None:
    empty = Overlay(larkfield.id, larkfield.version, larkfield.content_hash)
    assert empty.applied(larkfield) == larkfield


BROKEN = {
    "no_text": ("", "1:1", "expected a mapping that begins `priors:`", "yaml_syntax"),
    "not_yaml": ("priors: [", "1:10", "", "yaml_syntax"),
    "no_head": ("rates: {{}}\n", "1:1", "`priors` is missing", "missing_key"),
    "section": ("{head}\nrate: {{}}\n", "5:1", "nearest is `rates`", "unknown_key"),
    "no_machine": ("priors: {{machine_version: 'x', machine_hash: 'y'}}\n", "1:1",
                   "`machine` is missing", "missing_key"),
    "version_number": ("priors:\n  machine: a\n  machine_version: 1\n  machine_hash: b\n", "3:20",
                       "expected text, in quotes", "wrong_type"),
    "part": ("{head}\nrates:\n  batery:\n    flat: {{per_1000_jobs: 4}}\n", "6:3",
             "nearest is 'battery'", "unknown_part"),
    "mode": ("{head}\nrates:\n  battery:\n    flatt: {{per_1000_jobs: 4}}\n", "7:5",
             "nearest is 'flat'", "unknown_mode"),
    "ok_is_no_failure": ("{head}\nrates:\n  battery:\n    ok: {{per_1000_jobs: 4}}\n", "7:5",
                         "unknown mode 'ok'", "unknown_mode"),
    "rate_key": ("{head}\nrates:\n  battery:\n    flat: {{per_1000: 4}}\n", "7:12",
                 "nearest is `per_1000_jobs`", "unknown_key"),
    "text_rate": ("{head}\nrates:\n  battery:\n    flat: {{per_1000_jobs: '4'}}\n", "7:27",
                  "without quotes or unit", "number_as_text"),
    "comma": ("{head}\nrates:\n  battery:\n    flat: {{per_1000_jobs: 4\\,5}}\n", "7:27",
              "met the text", "number_as_text"),
    "negative": ("{head}\nrates:\n  battery:\n    flat: {{per_1000_jobs: -4}}\n", "7:27",
                 "expected 0 to 1000", "out_of_range"),
    "not_finite": ("{head}\nunlisted:\n  silent: {{per_1000_jobs: .nan}}\n", "6:27",
                   "met nan", "out_of_range"),
    "outside": ("{head}\nrates:\n  battery:\n    flat: {{per_1000_jobs: 4, low: 5, high: 6}}\n",
                "7:27", "met 4 outside 5 to 6", "out_of_range"),
    "bare_rate": ("{head}\nrates:\n  battery:\n    flat: 4\n", "7:11", "expected a mapping",
                  "wrong_type"),
    "sum": ("{head}\nrates:\n  relay_plug: {{open: {{per_1000_jobs: 999.9}}}}\n", "6:3",
            "add up to", "prior_sum"),
    "cause": ("{head}\ncauses:\n  rodent: {{per_1000_jobs: 4}}\n", "6:3",
              "nearest is 'rodent_nest'", "unknown_cause"),
    "raised": ("{head}\nfactors:\n  rodent_nest:\n    lamp: {{open: 3}}\n", "7:5",
               "nearest is 'lamp_wire'", "unknown_part"),
    "complaint": ("{head}\nwords_fit_percent:\n  silence: 90\n", "6:3", "nearest is 'silent'",
                  "unknown_complaint"),
    "percent": ("{head}\nslip_percent:\n  volts: 190\n", "6:10", "expected 0 to 100",
                "out_of_range"),
    "kind": ("{head}\nslip_percent:\n  volt: 1\n", "6:3", "nearest is 'volts'", "unknown_kind"),
    "verdict": ("{head}\njudged: {{verdict: adapt}}\n", "5:19", "nearest is 'adopt'", "verdict"),
    "no_verdict": ("{head}\njudged: {{reason: 'x'}}\n", "5:1", "`verdict` is missing",
                   "missing_key"),
    "scores": ("{head}\njudged: {{verdict: keep, scores: 3}}\n", "5:33", "expected a list",
               "wrong_type"),
    "score": (("{head}\njudged: {{verdict: keep, scores: [{{title: a, shipped: .inf, "
              "refitted: 1}}]}}\n"),
              "5:54", "expected a finite number", "wrong_type"),
    "bin": ("{head}\njudged: {{verdict: keep, calibration: [{{predicted: 0.1}}]}}\n", "5:39",
            "`observed` is missing", "missing_key"),
    "share": (("{head}\njudged: {{verdict: keep, calibration: "
               "[{{predicted: 1.2, observed: 0, low: 0, high: 1, cases: 3}}]}}\n"), "5:51",
              "expected 0 to 1", "out_of_range"),
    "test": ("{head}\nminutes:\n  tests:\n    battery_res: 1\n", "7:5",
             "nearest is 'battery_rest'", "unknown_test"),
    "noun": ("{head}\nminutes:\n  test:\n    battery_rest: 1\n", "6:3", "nearest is `tests`",
             "unknown_key"),
    "area": ("{head}\nminutes:\n  areas:\n    seats: 1\n", "7:5", "nearest is 'seat'",
             "unknown_area"),
    "repair": ("{head}\nminutes:\n  repairs:\n    battery: {{replaced: 1}}\n", "7:15",
               "nearest is 'replace'", "unknown_repair"),
    "twice": ("{head}\ncauses: {{}}\ncauses: {{}}\n", "6:1", "given twice", "duplicate_key"),
}  # fmt: skip
HEAD = 'priors:\n  machine: "{id}"\n  machine_version: "{version}"\n  machine_hash: "{hash}"'


@pytest.mark.parametrize("name", BROKEN)
def test_each_problem_is_told_with_its_place(larkfield: Machine, name: str) -> None:
    text, place, words, rule = BROKEN[name]
    head = HEAD.format(id=larkfield.id, version=larkfield.version, hash=larkfield.content_hash)
    text = text.format(head=head, hash=larkfield.content_hash) if "{" in text else text
    with pytest.raises(PriorsFileError) as refused:
        parse_overlay(text, larkfield, "mine.yaml")
    lines = str(refused.value).splitlines()
    hit = [line for line in lines if line.startswith(f"mine.yaml:{place}: ") and words in line]
    assert hit, lines
    assert rule in {problem.rule for problem in refused.value.problems}


def test_all_problems_come_at_once(larkfield: Machine) -> None:
    head = HEAD.format(id=larkfield.id, version=larkfield.version, hash=larkfield.content_hash)
    rates = "rates:\n  batery: {}\n  lamp: {opn: {per_1000_jobs: 1}}"
    text = f"{head}\n{rates}\ncauses: {{x: {{per_1000_jobs: 1}}}}\n"
    with pytest.raises(PriorsFileError) as refused:
        parse_overlay(text, larkfield)
    assert [p.rule for p in refused.value.problems] == [
        "unknown_part",
        "unknown_mode",
        "unknown_cause",
    ]


@given(st.text(alphabet="priors:achne_{}[],\n 0123456789.'\"-&*!", max_size=120))
def test_no_text_brings_the_reader_down(larkfield: Machine, text: str) -> None:
    with pytest.raises((PriorsFileError, PriorsMismatchError)):
        parse_overlay(text, larkfield)


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ({"machine": "push_mower"}, "name the priors of barn_cart"),
        ({"machine_version": "0"}, "run `diagnose refit` on this one"),
        ({"machine_hash": "0" * 64}, "go back to that version of the file"),
    ],
)
def test_priors_of_another_machine_are_refused_with_what_to_do(
    larkfield: Machine, change: dict[str, str], remedy: str
) -> None:
    other = replace(full_overlay(larkfield), **change)
    with pytest.raises(PriorsMismatchError, match=remedy):
        other.applied(larkfield)
    with pytest.raises(PriorsMismatchError, match=remedy):
        parse_overlay(overlay_text(other), larkfield)


def test_priors_are_not_laid_over_priors(larkfield: Machine) -> None:
    overlay = full_overlay(larkfield)
    with pytest.raises(PriorsMismatchError, match="as its file says"):
        overlay.applied(overlay.applied(larkfield))


@pytest.mark.parametrize("name", ["none.yaml", "folder", "latin.yaml"])
def test_a_file_that_cannot_be_read_is_named(larkfield: Machine, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "latin.yaml").write_bytes("priors: {machine: größe}".encode("latin-1"))
    with pytest.raises(PriorsFileError, match=name) as refused:
        read_overlay(tmp_path / name, larkfield)
    assert [p.rule for p in refused.value.problems] == ["file_unreadable"]
