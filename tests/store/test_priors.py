"""Priors that a shop takes for a machine, and goes back from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.errors import NotKeptError, OtherPriorsError

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


def test_nothing_is_written_where_others_hold_than_were_read(store: Store) -> None:
    first = store.adopt_priors("barn", "pump", "rates: 1", "Ruth", instead_of=0)
    with pytest.raises(OtherPriorsError) as refused:
        store.adopt_priors("barn", "pump", "rates: 2", "Ada", instead_of=0)
    assert (refused.value.expected, refused.value.met) == (0, first.adoption)
    with pytest.raises(OtherPriorsError):
        store.roll_back_priors("barn", "pump", "Ada", instead_of=first.adoption + 1)
    assert store.adoptions("barn") == (first,)
    assert store.roll_back_priors("barn", "pump", "Ada", instead_of=first.adoption).adoption


def test_an_adoption_is_found_by_its_number_and_only_in_its_shop(store: Store) -> None:
    first = store.adopt_priors("barn", "pump", "rates: 1", "Ruth")
    store.adopt_priors("barn", "pump", "rates: 2", "Ruth")
    assert store.adoption("barn", "pump", first.adoption) == (first, "rates: 1")
    for shop, machine in (("yard", "pump"), ("barn", "mower")):
        with pytest.raises(NotKeptError):
            store.adoption(shop, machine, first.adoption)
