"""Pictures of the report, each a function of a frame; matplotlib ends here."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from diagnose.refit.frames import ENOUGH

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

INK, QUIET, RULE = "#22303c", "#8a959d", "#e2e0d8"
SHIPPED, LEARNT, HELD = "#b5651d", "#1f6f78", "#b9c2c4"
"""Colours: the file's figure, what the orders say, what they say nothing about."""

ENDINGS = {
    "runs": LEARNT,
    "handed_over": SHIPPED,
    "given_up": "#8d3b3b",
    "no_fault_found": HELD,
}
WIDTH = 7.2
"""Inches of a picture; it is scaled to the page."""

REM_PER_INCH = 6.4
"""Width on the page; on a narrow one a picture shrinks to seven tenths, then it is scrolled."""

STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "svg.fonttype": "path",
    "svg.hashsalt": "refit",
}


def plot_rates(rates: pd.DataFrame, most: int = 24) -> Figure:
    """Shipped and refitted rates on one logarithmic scale, those that moved farthest first.

    Args:
        rates: as `diagnose.refit.frames.rates_frame` gives it.
        most: rates shown.
    """
    shown = rates[rates["shipped"] > 0.0].head(most)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 0.6 + 0.27 * max(len(shown), 1)), layout="constrained")
        axes = figure.subplots()
        place = np.arange(len(shown))[::-1]
        for y, (_, row) in zip(place.tolist(), shown.iterrows(), strict=True):
            colour = LEARNT if row["learnt"] >= ENOUGH else HELD
            axes.plot([row["low"], row["high"]], [y, y], color=colour, lw=5, alpha=0.35,
                      solid_capstyle="round", zorder=2)  # fmt: skip
            axes.plot([row["shipped"], row["refitted"]], [y, y], color=QUIET, lw=0.8, zorder=1)
            axes.plot(row["refitted"], y, "o", color=colour, ms=6, zorder=4)
        axes.plot(shown["shipped"], place, "D", mfc="white", mec=SHIPPED, ms=5, mew=1.4, ls="",
                  zorder=3)  # fmt: skip
        axes.set_yticks(place, [_short(title, 44) for title in shown["title"]])
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_xlabel("per 1 000 jobs; each step of the scale is ten times the last")
        _grid(axes, "x")
        axes.set_ylim(-0.7, len(shown) - 0.3)
    return figure


def plot_first_chances(first: pd.DataFrame) -> Figure:
    """How sure the leading suspect of each complaint is, before any test.

    Args:
        first: as `diagnose.refit.worth.first_tests` gives it.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 0.6 + 0.42 * max(len(first), 1)), layout="constrained")
        axes = figure.subplots()
        place = np.arange(len(first))[::-1].astype(np.float64)
        axes.barh(place + 0.17, first["chance_before"], 0.3, color=SHIPPED, alpha=0.75)
        axes.barh(place - 0.17, first["chance_after"], 0.3, color=LEARNT)
        axes.set_yticks(place, [_short(title, 44) for title in first["title"]])
        axes.set_xlim(0.0, 1.0)
        axes.set_xlabel("probability of the likeliest failure when the complaint is told")
        _grid(axes, "x")
    return figure


def plot_minutes(minutes: pd.DataFrame) -> Figure:
    """Minutes of a job with the shipped and the refitted priors, with 90 % intervals.

    Args:
        minutes: as `diagnose.refit.worth.worth_minutes` gives it.
    """
    both = minutes[minutes["priors"] != "saved"]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 1.5), layout="constrained")
        axes = figure.subplots()
        for y, (_, row) in zip((1, 0), both.iterrows(), strict=True):
            colour = SHIPPED if row["priors"] == "shipped" else LEARNT
            axes.plot([row["low"], row["high"]], [y, y], color=colour, lw=5, alpha=0.35,
                      solid_capstyle="round")  # fmt: skip
            axes.plot(row["minutes"], y, "o", color=colour, ms=7)
            axes.annotate(f"{row['minutes']:.1f}", (row["minutes"], y), (0, 7),
                          textcoords="offset points", ha="center")  # fmt: skip
        axes.set_yticks([1, 0], list(both["priors"]))
        axes.set_ylim(-0.5, 1.7)
        axes.set_xlabel("minutes in a job, handing over with the shop's minutes for it")
        _grid(axes, "x")
    return figure


def plot_calibration(bins: pd.DataFrame) -> Figure:
    """What was said would happen against what did, in bins that hold as many cases each.

    Args:
        bins: `priors` (shipped or refitted), `predicted`, `observed`, `low`, `high`: what was
            observed, with the limits within which chance alone would leave it.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH * 0.62, WIDTH * 0.56), layout="constrained")
        axes = figure.subplots()
        axes.plot([0, 1], [0, 1], color=QUIET, lw=1, ls="--", zorder=1)
        for name, colour, mark in (("shipped", SHIPPED, "D"), ("refitted", LEARNT, "o")):
            own = bins[bins["priors"] == name].sort_values("predicted")
            if not len(own):
                continue
            if name == "refitted":
                axes.fill_between(own["predicted"], own["low"], own["high"], color=HELD, alpha=0.4,
                                  lw=0, label="what chance alone does")  # fmt: skip
            fill = "white" if name == "shipped" else colour
            axes.plot(own["predicted"], own["observed"], mark, ls="-", lw=0.8, color=colour,
                      mfc=fill, ms=5, label=name, zorder=3)  # fmt: skip
        axes.set_xlabel("probability that was given")
        axes.set_ylabel("share of cases in which it came true")
        axes.set_xlim(0, 1)
        axes.set_ylim(0, 1)
        axes.legend(frameon=False, loc="upper left")
        _grid(axes, "both")
    return figure


def plot_months(months: pd.DataFrame) -> Figure:
    """Closed orders by month and ending.

    Args:
        months: as `diagnose.refit.frames.months_frame` gives it.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 2.2), layout="constrained")
        axes = figure.subplots()
        place, base = np.arange(len(months)), np.zeros(len(months))
        for name, colour in ENDINGS.items():
            if name in months.columns:
                height = months[name].to_numpy(dtype=np.float64)
                axes.bar(place, height, 0.78, base, color=colour, label=name.replace("_", " "))
                base += height
        step = max(1, -(-len(months) // 11))
        names = [f"{period:%b}\n{period:%Y}" if k % step == 0 else ""
                 for k, period in enumerate(months["month"])]  # fmt: skip
        axes.set_xticks(place, names)
        axes.tick_params(axis="x", length=0)
        axes.set_ylabel("orders")
        axes.legend(frameon=False, ncols=4, loc="lower left", bbox_to_anchor=(0.0, 1.0))
        _grid(axes, "y")
    return figure


def plot_months_of(drift: pd.DataFrame, title: str) -> Figure:
    """How often something came up by month, against what was expected.

    Args:
        drift: `month`, `observed`, `expected`, `low`, `high`.
        title: what it is.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, 2.0), layout="constrained")
        axes = figure.subplots()
        place = np.arange(len(drift))
        axes.fill_between(place, drift["low"], drift["high"], color=HELD, alpha=0.4, lw=0)
        axes.plot(place, drift["expected"], color=QUIET, lw=1, ls="--")
        axes.plot(place, drift["observed"], "o-", color=LEARNT, ms=4, lw=1)
        step = max(1, -(-len(drift) // 8))
        axes.set_xticks(place[::step], [str(month) for month in drift["month"]][::step])
        axes.set_title(title, loc="left", fontsize=9)
        _grid(axes, "y")
    return figure


def svg_of(figure: Figure, title: str) -> str:
    """A figure as an `<svg>` element for a page; it takes the width that there is.

    Args:
        figure: of this module.
        title: what a reader who cannot see it is told.
    """
    out = io.StringIO()
    with mpl.rc_context(STYLE):
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'(<svg[^>]*?) (?:width|height)="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) (?:width|height)="[^"]*"', r"\1", text, count=1)
    head, _, rest = text.partition(">")
    most = REM_PER_INCH * figure.get_size_inches()[0]
    head += f' style="max-width:{most:.1f}rem;min-width:{0.7 * most:.1f}rem"'
    said = title.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    return f'{head} role="img" aria-label="{said}">{rest}'


def _grid(axes: Axes, which: Any) -> None:
    axes.grid(axis=which, color=RULE, lw=0.8)
    axes.set_axisbelow(True)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
