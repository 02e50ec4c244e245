"""Priors that a shop takes for a machine, and goes back from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.errors import NotKeptError

if TYPE_CHECKING:
    from diagnose.store.store import Store
    from tests.store.conftest import Clock


def test_the_latest_that_holds_is_current(store: Store, clock: Clock) -> None:
    assert store.current_priors("barn", "pump") is None
    first = store.adopt_priors("barn", "pump", "rates: 1", "Ruth")
    assert store.current_priors("barn", "pump") == (first, "rates: 1")
    clock.go_on(days=1)
    second = store.adopt_priors("barn", "pump", "rates: 2", "Ruth")
    assert store.current_priors("barn", "pump") == (second, "rates: 2")
    assert store.current_priors("yard", "pump") is None
    assert store.current_priors("barn", "mower") is None


def test_going_back_leads_to_the_ones_before_and_at_last_to_the_files_own(
    store: Store, clock: Clock
) -> None:
    store.adopt_priors("barn", "pump", "rates: 1", "Ruth")
    store.adopt_priors("yard", "pump", "rates: 1", "Ada")  # the text is kept once
    second = store.adopt_priors("barn", "pump", "rates: 2", "Ruth")
    gone = store.roll_back_priors("barn", "pump", "Ada")
    assert (gone.adoption, gone.rolled_back_by) == (second.adoption, "Ada")
    assert gone.rolled_back_at == clock.at
    current = store.current_priors("barn", "pump")
    assert current is not None
    assert current[1] == "rates: 1"
    store.roll_back_priors("barn", "pump", "Ada")
    assert store.current_priors("barn", "pump") is None
    with pytest.raises(NotKeptError):
        store.roll_back_priors("barn", "pump", "Ada")
    assert [each.rolled_back_by for each in store.adoptions("barn")] == ["Ada", "Ada"]
    assert store.current_priors("yard", "pump") is not None
    assert store.adoptions("yard", "mower") == ()
