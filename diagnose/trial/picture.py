"""The minutes of finding out as a picture: one band for each policy, on one scale.

The height of a band at a place is the share of the jobs that took so many minutes (a histogram).
A full line marks the mean, a broken one what nine jobs in ten stay below. All that takes longer
than the scale stands in the last bar.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT, HEAD, FOOT = 900.0, 130.0, 190.0, 56.0, 58.0
"""Of the whole; room for names, figures, title and scale."""

BAND, GAP = 46.0, 14.0
"""Height of a band and distance to the next."""

BARS = 40
"""Bars of a histogram."""

SHOWN = 0.99
"""The scale ends where so many of all jobs are over."""

STEPS = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 240.0, 480.0)
"""Distances of the scale's marks, minutes."""

XMLNS = 'xmlns="http://www.w3.org/2000/svg"'

STYLE = """
text{font-family:Arial,Helvetica,'Liberation Sans',sans-serif;font-size:13px;fill:#000}
.head{font-size:17px}.bar{fill:#9db8cc}.base{stroke:#333;stroke-width:1}
.mean{stroke:#000;stroke-width:2.4}.p90{stroke:#000;stroke-width:2.4;stroke-dasharray:3 3}
.grid{stroke:#ddd;stroke-width:1}
"""


def picture(title: str, minutes: Mapping[str, Floats]) -> str:
    """One self-contained SVG document.

    Args:
        title: what was measured.
        minutes: policy -> (jobs,) minutes of finding out of each job, over and above what it had
            taken with the fault known; at least one policy with one job.
    """
    end = _round_up(float(np.quantile(np.concatenate(list(minutes.values())), SHOWN)))
    height = HEAD + len(minutes) * (BAND + GAP) + FOOT
    size = f'width="{WIDTH:.0f}" height="{height:.0f}"'
    pieces = [
        f'<svg {XMLNS} viewBox="0 0 {WIDTH:.0f} {height:.0f}" {size} role="img">',
        f"<title>{escape(title)}</title>",
        f"<style>{STYLE}</style>",
        f'<rect {size} fill="#fff"/>',
        f'<text class="head" x="16" y="30">{escape(title)}</text>',
        *_scale(end, height - FOOT),
    ]
    most = max(float(_shares(one, end).max()) for one in minutes.values())
    for row, (policy, one) in enumerate(minutes.items()):
        base = HEAD + row * (BAND + GAP) + BAND
        pieces += _band(policy, one, end, base, BAND / most)
    return "\n".join([*pieces, "</svg>", ""])


def _round_up(minutes: float) -> float:
    """The next multiple of the marks' distance."""
    step = _step(minutes)
    return step * float(np.ceil(max(minutes, 1e-9) / step))


def _step(minutes: float) -> float:
    """Distance of the marks: five to ten of them."""
    return next((step for step in STEPS if minutes <= 10.0 * step), STEPS[-1])


def _place(minutes: float, end: float) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * min(minutes, end) / end


def _shares(minutes: Floats, end: float) -> Floats:
    """(BARS,) share of the jobs in each bar; the last one takes what is beyond."""
    counts, _ = np.histogram(np.minimum(minutes, end), bins=BARS, range=(0.0, end))
    found: Floats = counts / len(minutes)
    return found


def _scale(end: float, bottom: float) -> list[str]:
    step, found = _step(end), []
    for minutes in np.arange(0.0, end + step / 2.0, step):
        x = _place(float(minutes), end)
        found.append(
            f'<line class="grid" x1="{x:.1f}" y1="{HEAD:.0f}" x2="{x:.1f}" y2="{bottom:.0f}"/>'
            f'<text x="{x:.1f}" y="{bottom + 18.0:.0f}" text-anchor="middle">{minutes:.0f}</text>'
        )
    words = (
        "minutes of finding out, over and above a job whose fault is known; "
        "full line: mean, broken line: nine in ten stay below"
    )
    return [*found, f'<text x="16" y="{bottom + 42.0:.0f}">{words}</text>']


def _band(policy: str, minutes: Floats, end: float, base: float, height: float) -> list[str]:
    wide = (WIDTH - LEFT - RIGHT) / BARS
    mean, p90 = float(minutes.mean()), float(np.quantile(minutes, 0.9))
    found = [f'<text x="16" y="{base - 4.0:.1f}">{escape(policy)}</text>']
    for bar, share in enumerate(_shares(minutes, end)):
        if share > 0.0:
            found.append(
                f'<rect class="bar" x="{LEFT + bar * wide:.1f}" y="{base - share * height:.1f}" '
                f'width="{wide - 1.0:.1f}" height="{share * height:.1f}"/>'
            )
    right = WIDTH - RIGHT
    found.append(
        f'<line class="base" x1="{LEFT:.0f}" y1="{base:.1f}" x2="{right:.0f}" y2="{base:.1f}"/>'
    )
    for kind, value in (("mean", mean), ("p90", p90)):
        x = _place(value, end)
        found.append(
            f'<line class="{kind}" x1="{x:.1f}" y1="{base - BAND:.1f}" '
            f'x2="{x:.1f}" y2="{base:.1f}"/>'
        )
    words = f"mean {mean:.1f}, nine in ten {p90:.0f}"
    found.append(f'<text x="{right + 12.0:.0f}" y="{base - 4.0:.1f}">{words}</text>')
    return found
