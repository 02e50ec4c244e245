"""The report: its tables say what the overlay does, its page needs nothing else."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from diagnose.job import Job, prepare
from diagnose.machine.overlay import Overlay, Rate
from diagnose.refit import plots
from diagnose.refit.frames import groups_frame, months_frame, rates_frame
from diagnose.refit.report import make_report, report_html, write_report
from diagnose.refit.worth import first_tests, measure_more, worth_minutes
from tests.refit.rows import CART, MACHINE

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from diagnose.refit.report import Report


def test_rates_stand_beside_the_files(overlay: Overlay) -> None:
    frame = rates_frame(MACHINE, overlay).set_index("part")
    plug = frame.loc["relay_plug"]
    shipped = MACHINE.parts["relay_plug"].modes["open"].per_1000_jobs
    assert (plug["shipped"], plug["refitted"]) == (shipped, 60.0)
    assert plug["ratio"] == pytest.approx(60.0 / shipped)
    assert frame.loc["battery", "group"] == 1
    assert frame.loc["rodent_nest", "kind"] == "cause"
    silent = frame.loc["silent"]
    own = MACHINE.complaints["silent"].unlisted_per_1000
    assert silent["shipped"] == (MACHINE.unlisted_per_1000 if own is None else own)


def test_what_moved_and_was_learnt_comes_first(overlay: Overlay) -> None:
    frame = rates_frame(MACHINE, overlay)
    learnt = frame["learnt"] >= 0.5
    assert learnt.tolist() == sorted(learnt, reverse=True)
    far = np.log(frame.loc[learnt, "ratio"]).abs()
    assert far.tolist() == sorted(far, reverse=True)


def test_groups_have_the_sum_of_their_members(overlay: Overlay) -> None:
    frame = groups_frame(MACHINE, overlay)
    modes = MACHINE.parts["battery"].modes
    assert frame.loc[0, "shipped"] == modes["low"].per_1000_jobs + modes["flat"].per_1000_jobs
    assert frame.loc[0, ["refitted", "low", "high"]].tolist() == [70.0, 50.0, 95.0]


def test_first_tests_are_those_of_the_advice(overlay: Overlay) -> None:
    frame = first_tests(MACHINE, overlay).set_index("complaint")
    for complaint in MACHINE.complaints:
        old = Job.open(CART, complaint).advise()
        new = Job.open(CART, complaint, priors=overlay).advise()
        row = frame.loc[complaint]
        assert row["before"] == old.verdict.target
        assert row["after"] == new.verdict.target
        assert row["changed"] == (old.verdict.target != new.verdict.target)
        assert row["chance_after"] == new.suspects[0].probability
    assert (frame["suspect_before"] != frame["suspect_after"]).any()


def test_priors_that_are_the_files_save_nothing() -> None:
    same = Overlay(MACHINE.id, MACHINE.version, MACHINE.content_hash)
    minutes = worth_minutes(MACHINE, same, 8).set_index("priors")
    assert minutes.loc["saved"].tolist() == [0.0, 0.0, 0.0]
    assert minutes.loc["shipped"].tolist() == minutes.loc["refitted"].tolist()


def test_minutes_saved_are_the_difference_over_the_same_jobs(overlay: Overlay) -> None:
    done: list[tuple[int, int]] = []
    frame = worth_minutes(MACHINE, overlay, 8, progress=lambda *at: done.append(at))
    minutes = frame.set_index("priors")["minutes"]
    assert minutes["saved"] == pytest.approx(minutes["shipped"] - minutes["refitted"])
    assert done[-1] == (16, 16)
    assert [at for at, _ in done] == list(range(1, 17))


def test_a_test_is_named_by_what_it_tells_about_the_group(overlay: Overlay) -> None:
    frame = measure_more(MACHINE, overlay)
    best = frame[frame["group"] == "key_switch.open or start_button.open"].iloc[0]
    ready = prepare(overlay.applied(MACHINE))
    solved, tests = ready.sets.now(), list(MACHINE.tests)
    rows = [
        solved.row((ready.faults.index((part, "open")),)) for part in ("key_switch", "start_button")
    ]
    number = tests.index(best["test"])
    chances = solved.chances.rows[solved.chances.which[rows, number]]
    prior = solved.prior[rows] / solved.prior[rows].sum()
    joint = prior[:, None] * chances  # by the definition of mutual information
    apart = prior[:, None] * joint.sum(axis=0)[None, :]
    some = joint > 0.0
    assert best["bits"] == pytest.approx((joint[some] * np.log2(joint[some] / apart[some])).sum())
    assert best["bits_per_minute"] == pytest.approx(best["bits"] / best["minutes"])


def test_months_without_orders_are_there() -> None:
    orders = pd.DataFrame(
        {
            "closed_at": pd.to_datetime(["2025-01-31T23:30Z", "2025-04-02T08:00Z"], utc=True),
            "ended": ["runs", "handed_over"],
        }
    )
    months = months_frame(orders)
    assert [str(month) for month in months["month"]] == [f"2025-0{k}" for k in (1, 2, 3, 4)]
    assert months["runs"].tolist() == [1, 0, 0, 0]
    assert months["handed_over"].tolist() == [0, 0, 0, 1]


def calibration() -> pd.DataFrame:
    p = np.linspace(0.1, 0.9, 5)
    both = [pd.DataFrame({"priors": name, "predicted": p, "observed": p, "low": p - 0.05,
                          "high": p + 0.05}) for name in ("shipped", "refitted")]  # fmt: skip
    return pd.concat(both, ignore_index=True)


def drift() -> pd.DataFrame:
    month = pd.period_range("2025-01", periods=4, freq="M")
    return pd.DataFrame({"title": "Relay plug", "month": month, "observed": [1, 2, 9, 3],
                         "expected": 2.5, "low": 0.0, "high": 6.0})  # fmt: skip


def figures(report: Report) -> dict[str, Figure]:
    frames = report.frames
    return {
        "rates": plots.plot_rates(frames["rates"]),
        "first": plots.plot_first_chances(frames["first_tests"]),
        "minutes": plots.plot_minutes(frames["minutes"]),
        "months": plots.plot_months(frames["months"]),
        "calibration": plots.plot_calibration(calibration()),
        "drift": plots.plot_months_of(drift(), "Relay plug"),
        "no_rates": plots.plot_rates(frames["rates"].head(0)),
    }


def test_pictures_are_sound_and_the_same_each_time(report: Report) -> None:
    for name, figure in figures(report).items():
        svg = plots.svg_of(figure, 'What "it" shows & <why>')
        root = ET.fromstring(svg)  # noqa: S314 - made here
        assert root.tag.endswith("svg"), name
        assert root.get("aria-label") == 'What "it" shows & <why>'
        assert root.get("width") is None
        assert root.get("viewBox")
        assert "<metadata" not in svg
        if name == "minutes":
            again = plots.plot_minutes(report.frames["minutes"])
            assert svg == plots.svg_of(again, 'What "it" shows & <why>')


def test_a_picture_shows_the_numbers_of_its_frame(report: Report) -> None:
    rates = report.frames["rates"]
    axes = plots.plot_rates(rates).axes[0]
    shown = {
        round(float(x), 9)
        for line in axes.get_lines()
        for x in np.asarray(line.get_xdata(), dtype=float).tolist()
    }
    assert {round(x, 9) for x in rates["refitted"]} <= shown
    assert {round(x, 9) for x in rates["shipped"]} <= shown


class Loads(HTMLParser):
    """Whatever a page would fetch, and whether its elements close."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in {"meta", "link", "br", "img"}:
            self.open.append(tag)
        self.fetched += [
            f"{name}={value}"
            for name, value in attrs
            if name in {"src", "href", "xlink:href", "data"} and not str(value).startswith("#")
        ]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag


def test_the_page_needs_nothing_else_and_escapes_what_it_is_told(report: Report) -> None:
    page = report_html(report, "tables")
    seen = Loads()
    seen.feed(page)
    assert seen.open == []
    assert seen.fetched == []
    assert not {"script", "link", "img", "iframe"} & set(seen.tags)
    assert not re.search(r"@import|url\((?!#)|@font-face", page)
    assert "<b>rust</b>" not in page
    assert "&lt;b&gt;rust&lt;/b&gt;" in page
    assert "orders (&lt;b&gt;)" in page
    headings = re.findall(r"<h2>(.*?)</h2>", page)
    assert headings == [
        "What changed",
        "What is done first",
        "What it is worth",
        "What the orders cannot tell",
        "What was read",
    ]
    assert "Keep the priors in use." in page
    assert 'lang="en"' in page


def test_what_others_judged_is_shown(report: Report) -> None:
    scores = pd.DataFrame({"score": ["log score"], "shipped": [-0.41], "refitted": [-0.38]})
    frames = {**report.frames, "calibration": calibration(), "scores": scores, "drift": drift(),
              "surprises": pd.DataFrame({"title": ["hear_relay"], "findings": [40.0],
                                        "surprising": [9.0], "at_most": [0.4]})}  # fmt: skip
    page = report_html(replace(report, frames=frames, verdict="adopt"))
    assert "Whether to believe it" in page
    assert "What drifts" in page
    assert "Adopt these priors." in page
    assert "hear_relay" in page


def test_all_tables_lie_beside_the_page(report: Report, tmp_path: Path) -> None:
    page, *tables = write_report(report, tmp_path / "barn.html")
    assert page.read_text("utf-8") == report_html(report, "barn_tables")
    assert {file.stem for file in tables} == set(report.frames)
    assert {file.parent.name for file in tables} == {"barn_tables"}
    again = pd.read_csv(tmp_path / "barn_tables" / "rates.csv")
    assert again["refitted"].tolist() == pytest.approx(report.frames["rates"]["refitted"].tolist())


def test_an_overlay_that_says_little_gives_a_page_as_well() -> None:
    rates = {("lamp", "open"): Rate(6.0, 1.0, 20.0)}
    small = Overlay(MACHINE.id, MACHINE.version, MACHINE.content_hash, rates=rates)
    page = report_html(make_report(MACHINE, small, jobs=0))
    assert re.findall(r"<h2>(.*?)</h2>", page) == ["What changed", "What is done first"]
    assert "all orders, 0 orders" in page
