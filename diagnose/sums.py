"""Sums of products that stay on the thread that asks for them.

A linear algebra library shares out a product of some ten thousand numbers over all cores. Waking
the other core takes longer than adding them, and while that core is busy every such sum waits for
it: four sums over 10,000 fault sets took 30 ms beside another job, and take 0.1 ms here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Numbers = NDArray[Any]


def inner(first: Numbers, second: Numbers) -> float:
    """Sum of the products of two vectors of the same length."""
    return float(np.einsum("i,i->", first, second))


def mixed(weight: Numbers, table: Numbers) -> Floats:
    """(m,) sum of the rows of a table, each times its weight.

    Args:
        weight: (n,) of each row.
        table: (n, m).
    """
    found: Floats = np.einsum("i,ij->j", weight, table)
    return found


def by_row(table: Numbers, weight: Numbers) -> Floats:
    """(n,) sum of each row of a table, its entries weighed.

    Args:
        table: (n, m).
        weight: (m,) of each column.
    """
    found: Floats = np.einsum("ij,j->i", table, weight)
    return found
