"""Frames as HTML tables."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

ROWS = 16
"""Rows of a table on the page; the CSV has them all."""


def html_table(frame: pd.DataFrame, names: Mapping[str, str]) -> str:
    """Rows as an HTML table; numbers stand to the right."""
    numeric = {name for name in names if pd.api.types.is_numeric_dtype(frame[name].dtype)}
    heads = "".join(
        f"<th{' class=n' if name in numeric else ''}>{escape(words)}</th>"
        for name, words in names.items()
    )
    rows = []
    for line in frame.head(ROWS)[list(names)].itertuples(index=False):
        cells = (
            f"<td{' class=n' if name in numeric else ''}>{escape(_cell(value))}</td>"
            for name, value in zip(names, line, strict=True)
        )
        rows.append(f"<tr>{''.join(cells)}</tr>")
    more = ""
    if len(frame) > ROWS:
        more = f"<p class=more>and {len(frame) - ROWS} more, in the CSV beside this page</p>"
    return (
        f'<div class="scroll"><table><thead><tr>{heads}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>{more}"
    )


def _cell(value: object) -> str:
    if isinstance(value, float | np.floating):
        number = float(value)
        if np.isnan(number):
            return "-"
        return f"{number:,.0f}" if abs(number) >= 100.0 else f"{number:.3g}"
    return str(value)
