"""The report: one HTML page that needs nothing else, and its tables as CSV beside it."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.refit import plots
from diagnose.refit.frames import ENOUGH, groups_frame, months_frame, rates_frame
from diagnose.refit.html_tables import html_table
from diagnose.refit.page import PAGE, STYLE
from diagnose.refit.worth import first_tests, measure_more, worth_minutes
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

    from diagnose.machine.model import Machine
    from diagnose.machine.overlay import Overlay
    from diagnose.refit.tables import Tables

WORTH = {"adopt": "good", "keep": "wait"}


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """All that the page shows, as frames.

    Attributes:
        machine: as its file says.
        overlay: what was learnt.
        frames: name -> frame; each is a CSV beside the page.
        verdict, reason: `adopt` or `keep`, and why in one sentence; empty where nobody judged.
        notes: sentences about the orders that were used.
    """

    machine: Machine
    overlay: Overlay
    frames: Mapping[str, pd.DataFrame]
    verdict: str = ""
    reason: str = ""
    notes: tuple[str, ...] = field(default=())


def make_report(  # noqa: PLR0913 - each says another thing about the page
    machine: Machine,
    overlay: Overlay,
    *,
    tables: Tables | None = None,
    judged: Mapping[str, pd.DataFrame] | None = None,
    verdict: tuple[str, str] = ("", ""),
    notes: tuple[str, ...] = (),
    jobs: int = 200,
    progress: Callable[[int, int], None] | None = None,
) -> Report:
    """Work out all that the report shows.

    Args:
        machine: as its file says.
        overlay: made for it.
        tables: the orders it was made of, as they were read.
        judged: further frames: `scores`, `calibration`, `surprises`, `drift`.
        verdict: `adopt` or `keep`, and why.
        notes: sentences about the orders that were used.
        jobs: simulated jobs for the minutes; 0 for none.
        progress: called with the jobs done and the jobs in all.
    """
    frames = {
        "rates": rates_frame(machine, overlay),
        "groups": groups_frame(machine, overlay),
        "first_tests": first_tests(machine, overlay),
        "measure_more": measure_more(machine, overlay),
        **(judged or {}),
    }
    if jobs:
        frames["minutes"] = worth_minutes(machine, overlay, jobs, progress=progress)
    if tables is not None:
        orders, _ = tables.of(machine.id)
        if len(orders):
            frames["months"] = months_frame(orders)
        frames["read"] = tables.tally()
        frames["unmapped"] = tables.unmapped
    return Report(machine, overlay, frames, *verdict, notes=notes)


def write_report(report: Report, file: str | Path) -> tuple[Path, ...]:
    """Write the page, and its frames as CSV into a folder beside it; the files written.

    Raises:
        OSError: they cannot be written.
    """
    page = Path(file)
    folder = page.with_suffix("")
    folder = folder.with_name(f"{folder.name}_tables")
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, frame in report.frames.items():
        written.append(folder / f"{name}.csv")
        write_whole(written[-1], frame.to_csv(index=False))
    write_whole(page, report_html(report, folder.name))
    return (page, *written)


def report_html(report: Report, folder: str = "") -> str:
    """The page; pictures and style are in it, nothing is loaded from anywhere."""
    made, machine = report.overlay, report.machine
    window = f"{made.window_from} to {made.window_to}" if made.window_from else "all orders"
    sections = "".join(
        section
        for section in (
            _changed(report),
            _first(report),
            _minutes(report),
            _believed(report),
            _groups(report),
            _drift(report),
            _read(report),
        )
        if section
    )
    return PAGE.format(
        style=STYLE,
        title=escape(f"Refit of {machine.title}"),
        machine=escape(machine.title),
        about=escape(
            f"{machine.id}, version {machine.version}, file {made.machine_hash[:12]}. {window}, "
            f"{made.orders:,} orders. Priors {made.version}."
        ),
        verdict=_verdict(report),
        cards=_cards(report),
        sections=sections,
        folder=escape(folder),
    )


def _verdict(report: Report) -> str:
    if not report.verdict:
        return ""
    words = {"adopt": "Adopt these priors.", "keep": "Keep the priors in use."}
    kind = WORTH.get(report.verdict, "wait")
    said = words.get(report.verdict, report.verdict)
    return f'<p class="verdict {kind}"><b>{escape(said)}</b> {escape(report.reason)}</p>'


def _cards(report: Report) -> str:
    rates, first = report.frames["rates"], report.frames["first_tests"]
    learnt = int((rates["learnt"] >= ENOUGH).sum())
    cards = [
        (f"{report.overlay.orders:,}", "orders used"),
        (f"{learnt} of {len(rates)}", "figures learnt, the others as shipped"),
        (f"{int(first['changed'].sum())} of {len(first)}", "complaints begin with another test"),
    ]
    minutes = report.frames.get("minutes")
    if minutes is not None:
        saved = minutes[minutes["priors"] == "saved"].iloc[0]
        way = "less" if saved["minutes"] >= 0.0 else "more"
        number = f"{abs(saved['minutes']):.1f} min"
        cards.append((number, f"{way} in a job, if these figures are right"))
    return "".join(
        f'<div class="card"><b>{escape(number)}</b><span>{escape(words)}</span></div>'
        for number, words in cards
    )


def _section(name: str, heading: str, body: str) -> str:
    return f'<section id="{name}"><h2>{escape(heading)}</h2>{body}</section>'


def _picture(svg: str, caption: str) -> str:
    return f"<figure><div>{svg}</div><figcaption>{caption}</figcaption></figure>"


def _changed(report: Report) -> str:
    rates = report.frames["rates"]
    key = (
        '<i class="shipped"></i> as shipped, <i class="learnt"></i> by the orders with its 90 % '
        'interval, <i class="held"></i> the orders say too little'
    )
    svg = plots.svg_of(plots.plot_rates(rates), "Shipped and refitted rates")
    learnt = rates[rates["learnt"] >= ENOUGH]
    moved = learnt[(learnt["low"] > learnt["shipped"]) | (learnt["high"] < learnt["shipped"])]
    words = (
        f"{len(learnt)} of {len(rates)} figures are more the orders' than the file's; of "
        f"{len(moved)} of them the file's figure lies outside the 90 % interval. All others are "
        "left as good as shipped."
    )
    table = html_table(
        rates,
        {
            "title": "what",
            "shipped": "shipped",
            "refitted": "refitted",
            "low": "from",
            "high": "to",
            "ratio": "times",
            "equivalent_cases": "cases",
            "learnt": "learnt",
        },
    )
    return _section("changed", "What changed", f"<p>{words}</p>{_picture(svg, key)}{table}")


def _first(report: Report) -> str:
    first, machine = report.frames["first_tests"], report.machine
    shown = first.assign(
        before=[_action(machine, action) for action in first["before"]],
        after=[
            _action(machine, action) if changed else "the same"
            for action, changed in zip(first["after"], first["changed"], strict=True)
        ],
    )
    svg = plots.svg_of(plots.plot_first_chances(first), "Leading suspect of each complaint")
    key = '<i class="bar shipped"></i> as shipped, <i class="bar learnt"></i> refitted'
    table = html_table(shown, {"title": "complaint", "before": "first, as shipped", "after": "now"})
    return _section("first", "What is done first", f"{table}{_picture(svg, key)}")


def _action(machine: Machine, action: str) -> str:
    return machine.tests[action].title if action in machine.tests else action


def _minutes(report: Report) -> str:
    minutes = report.frames.get("minutes")
    if minutes is None:
        return ""
    saved = minutes[minutes["priors"] == "saved"].iloc[0]
    words = (
        f"If these figures are right, a job takes {abs(saved['minutes']):.1f} minutes "
        f"{'less' if saved['minutes'] >= 0.0 else 'more'} with them than with the shipped ones "
        f"(90 % interval {saved['low']:+.1f} to {saved['high']:+.1f}), over the same simulated "
        "jobs."
    )
    svg = plots.svg_of(plots.plot_minutes(minutes), "Minutes of a job")
    picture = _picture(svg, "Mean and 90 % interval; what differs is sharper than the two means.")
    return _section("minutes", "What it is worth", f"<p>{words}</p>{picture}")


def _believed(report: Report) -> str:
    scores, bins = report.frames.get("scores"), report.frames.get("calibration")
    body = ""
    if scores is not None and len(scores):
        body += "<p>Each order was foretold from those closed before it.</p>"
        body += html_table(scores, {name: name.replace("_", " ") for name in scores.columns})
    if bins is not None and len(bins):
        svg = plots.svg_of(plots.plot_calibration(bins), "Given probabilities and what came true")
        body += _picture(
            svg,
            "Causes given two percent and more; on the broken line, what was said came.",
        )
    surprises = report.frames.get("surprises")
    if surprises is not None and len(surprises):
        body += "<h3>Tests that surprise more often than they should</h3>"
        body += "<p>A wrong limit in the file shows here, or a fault that it does not have.</p>"
        names = {"title": "test", "findings": "findings", "surprising": "surprised"}
        body += html_table(surprises, {**names, "at_most": "should at most"})
    return _section("believe", "Whether to believe it", body) if body else ""


def _groups(report: Report) -> str:
    groups, more = report.frames["groups"], report.frames["measure_more"]
    if not len(groups):
        return ""
    table = html_table(
        groups,
        {"members": "one of", "shipped": "shipped", "refitted": "sum", "low": "from", "high": "to"},
    )
    body = (
        "<p>No test that was done tells these apart. Their sum is known; how it splits is still "
        f"the file's.</p>{table}"
    )
    if not len(more):
        body += "<p>No test in the file tells them apart either.</p>"
    else:
        shown = more.assign(group=[_members(report.machine, group) for group in more["group"]])
        body += "<h3>What to measure more often</h3>"
        body += html_table(
            shown,
            {"group": "to tell apart", "title": "do this", "bits": "bits", "minutes": "minutes"},
        )
    return _section("groups", "What the orders cannot tell", body)


def _members(machine: Machine, group: str) -> str:
    parts = [member.partition(".")[0] for member in group.split(" or ")]
    titles = [machine.parts[part].title if part in machine.parts else part for part in parts]
    return ", ".join(dict.fromkeys(titles))


def _drift(report: Report) -> str:
    drift = report.frames.get("drift")
    if drift is None or not len(drift):
        return ""
    pictures = [
        _picture(
            plots.svg_of(plots.plot_months_of(own, str(name)), str(name)),
            "Dots: what came; broken line: what was expected; band: within chance.",
        )
        for name, own in drift.groupby("title", sort=False)
    ]
    return _section("drift", "What drifts", "".join(pictures))


def _read(report: Report) -> str:
    body = "".join(f"<p>{escape(note)}</p>" for note in report.notes)
    if "months" in report.frames:
        svg = plots.svg_of(plots.plot_months(report.frames["months"]), "Orders by month")
        body += _picture(svg, "Orders that were used, by the month they were closed in.")
    tally = report.frames.get("read")
    if tally is not None and len(tally):
        body += html_table(
            tally,
            {"table": "table", "column": "column", "problem": "what was wrong",
             "done": "what became of it", "times": "times"},
        )  # fmt: skip
    unmapped = report.frames.get("unmapped")
    if unmapped is not None and len(unmapped):
        body += f"<h3>Words without an id ({len(unmapped)})</h3>"
        names = {"what": "what", "text": "words", "times": "times", "nearest": "nearest"}
        body += html_table(unmapped.head(12), names)
    return _section("read", "What was read", body) if body else ""
