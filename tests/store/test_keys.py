"""Keys: 256 bits, shown once, kept as a hash."""

from __future__ import annotations

import base64
import hmac
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from diagnose.errors import FullError, NotKeptError, RequestError, UnknownNameError
from diagnose.store import keys as keys_module
from diagnose.store.tables import keys as table

if TYPE_CHECKING:
    from diagnose.store.store import Store
    from tests.store.conftest import Clock


def test_a_key_opens_its_shop_in_its_role(store: Store) -> None:
    text, key = store.add_key("tablet", "barn", "technician")
    assert store.verify_key(text) == key
    assert (key.name, key.shop, key.role) == ("tablet", "barn", "technician")
    assert text.startswith(key.prefix)


def test_it_has_256_bits_and_is_nowhere_in_the_store(store: Store) -> None:
    text, key = store.add_key("tablet", "barn", "technician")
    secret = text.removeprefix(f"{key.prefix}_")
    assert len(base64.urlsafe_b64decode(secret + "=")) * 8 == 256
    with store._database.reading() as connection:
        row = connection.execute(select(table)).one()
    assert not any(secret in str(value) for value in row)
    assert len({store.add_key("x", "barn", "analyst")[0] for _ in range(50)}) == 50


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text[:-1] + ("A" if text[-1] != "A" else "B"),
        lambda text: text + "A",
        lambda text: text[:-1],
        lambda text: "nsk_000000000000_" + text.split("_", 2)[2],
        lambda text: text.upper(),
        lambda _: "",
        lambda _: "é" * 50,
        lambda _: "\0" * 50,
        lambda _: "\ud800",
        lambda text: text * 10_000,
        lambda text: text.split("_", 2)[2],
    ],
)
def test_anything_else_opens_nothing(store: Store, change: object) -> None:
    text, _ = store.add_key("tablet", "barn", "technician")
    assert store.verify_key(change(text)) is None  # type: ignore[operator]


def test_a_hash_is_compared_whether_there_is_such_a_key_or_not(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In one way of the standard library that takes as long for any two hashes."""
    compared = []

    def digest(one: str, other: str) -> bool:
        compared.append((len(one), len(other)))
        return hmac.compare_digest(one, other)

    monkeypatch.setattr(keys_module, "hmac", type("_", (), {"compare_digest": digest}))
    text, _ = store.add_key("tablet", "barn", "technician")
    for told in (text, text[:-3] + "abc", "nsk_nobody_has_this", "junk"):
        store.verify_key(told)
    assert compared == [(64, 64)] * 4


def test_the_last_use_is_kept_to_the_minute(store: Store, clock: Clock) -> None:
    text, _ = store.add_key("tablet", "barn", "technician")
    first = clock.at
    store.verify_key(text)
    clock.go_on(seconds=59)
    store.verify_key(text)
    assert [key.last_used_at for key in store.known_keys()] == [first]
    clock.go_on(seconds=1)
    store.verify_key(text)
    assert [key.last_used_at for key in store.known_keys()] == [clock.at]


def test_a_revoked_key_opens_nothing(store: Store, clock: Clock) -> None:
    text, key = store.add_key("tablet", "barn", "technician")
    other, _ = store.add_key("office", "barn", "shop_system")
    revoked = store.revoke_key(key.prefix)
    assert revoked.revoked_at == clock.at
    clock.go_on(days=1)
    assert store.revoke_key(key.prefix) == revoked
    assert store.verify_key(text) is None
    assert store.verify_key(other) is not None
    with pytest.raises(NotKeptError):
        store.revoke_key("nsk_nobody")


def test_keys_are_listed_by_shop(store: Store, clock: Clock) -> None:
    store.add_key("tablet", "barn", "technician")
    clock.go_on(seconds=1)
    store.add_key("tablet", "yard", "technician")
    assert [key.shop for key in store.known_keys()] == ["barn", "yard"]
    assert [key.shop for key in store.known_keys("yard")] == ["yard"]


def test_what_cannot_be_a_key_is_refused(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(UnknownNameError, match="technician"):
        store.add_key("tablet", "barn", "technican")
    for name, shop in (("", "barn"), ("x" * 201, "barn"), ("x", ""), ("a\nb", "barn")):
        with pytest.raises(RequestError):
            store.add_key(name, shop, "analyst")
    monkeypatch.setattr(keys_module, "MOST_KEYS", 1)
    _, key = store.add_key("tablet", "barn", "technician")
    with pytest.raises(FullError):
        store.add_key("tablet", "barn", "technician")
    store.revoke_key(key.prefix)
    store.add_key("tablet", "barn", "technician")
