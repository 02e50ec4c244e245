"""Posteriors across repairs on a shipped machine against sums over fault sets."""

from __future__ import annotations

from tests.network.epochs import after_repairs


def test_after_repairs_that_did_not_help() -> None:
    # Two jobs with three repairs each. The referee's own noise, which grows with every fault
    # more that has to be there, is taken off; `python -m tests.network.epochs` gives more jobs.
    found = after_repairs("standby_pump", 2, 3, 6000)
    assert found.same.mean() >= 0.9
    assert (found.distance - 2.0 * found.noise).mean() <= 0.02
