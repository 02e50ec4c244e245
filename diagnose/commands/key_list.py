"""`diagnose keys`: who may ask over HTTP."""

from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.opened_store import opened_store
from diagnose.commands.output import say

if TYPE_CHECKING:
    from diagnose.store.records import Key


def add(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Whose it is: a person, a tablet, a program.")
    ],
    shop: Annotated[str, typer.Option(help="Id of the shop whose jobs it opens.")] = "local",
    role: Annotated[str, typer.Option(help="technician, shop_system or analyst.")] = "technician",
    json: options.Json = False,
) -> None:
    """Make a key. It is shown now and never again; only a hash of it is kept."""
    with opened_store() as store:
        text, key = store.add_key(name, shop, role)
    words = f"{text}\nThis is shown once. It is for {key.name}, {key.role} of shop {key.shop}."
    say({"key": text, **_plain(key)}, words, as_json=json)


def list_(
    shop: Annotated[str | None, typer.Option(help="Only of this shop.")] = None,
    json: options.Json = False,
) -> None:
    """List the keys, without their secrets."""
    with opened_store() as store:
        known = store.known_keys(shop)
    words = "\n".join(map(_line, known)) or "There are no keys."
    say({"keys": [_plain(key) for key in known]}, words, as_json=json)


def revoke(
    prefix: Annotated[
        str, typer.Argument(metavar="PREFIX", help="First part of the key, as `list` shows it.")
    ],
    json: options.Json = False,
) -> None:
    """Take a key back; it opens nothing from now on."""
    with opened_store() as store:
        key = store.revoke_key(prefix)
    words = f"{key.prefix} opens nothing any more; it was for {key.name} of shop {key.shop}."
    say(_plain(key), words, as_json=json)


def _plain(key: "Key") -> dict[str, Any]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in asdict(key).items()
    }


def _line(key: "Key") -> str:
    used = "never used"
    if key.last_used_at is not None:
        used = f"last used {key.last_used_at.astimezone():%Y-%m-%d %H:%M}"
    told = (key.prefix, key.name, key.shop, key.role, used)
    return "  ".join([*told, *(["revoked"] if key.revoked_at is not None else [])])
