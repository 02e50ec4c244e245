"""`diagnose priors`: which priors learnt from closed orders a shop works with."""

import getpass
import os
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose.commands import options
from diagnose.commands.opened_store import opened_store
from diagnose.commands.output import say

if TYPE_CHECKING:
    from diagnose.store.records import Adoption

Shop = Annotated[str, typer.Option(help="Of this shop.")]
By = Annotated[
    str, typer.Option("--by", help="Who decides, kept with it; left out: whoever is logged in.")
]


def adopt(
    machine: options.Machine,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="Priors, as `diagnose refit` writes them.", show_default=False
        ),
    ],
    shop: Shop = "local",
    by: By = "",
    json: options.Json = False,
) -> None:
    """Take priors for a machine: they hold for the jobs opened from now on."""
    from diagnose.machine.load import load_machine  # noqa: PLC0415
    from diagnose.machine.overlay_file import read_overlay  # noqa: PLC0415

    known = load_machine(machine)
    overlay = read_overlay(file, known)
    with opened_store() as store:
        made = store.adopt_priors(shop, known.id, file.read_text("utf-8-sig"), by or _logged_in())
    words = (
        f"{known.id}: priors {overlay.version} hold for the jobs that {shop} opens from now on "
        f"({overlay.orders} orders); `diagnose priors roll-back {known.id}` goes back."
    )
    say({**_plain(made), "priors_version": overlay.version}, words, as_json=json)


def _logged_in() -> str:
    """Name of who is logged in; an account without one goes by its number."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return f"account {os.getuid()}" if hasattr(os, "getuid") else "unknown"


def list_(
    machine: Annotated[str | None, typer.Option(help="Only of this machine's id.")] = None,
    shop: Shop = "local",
    json: options.Json = False,
) -> None:
    """List the priors that were taken, the oldest first."""
    with opened_store() as store:
        known = store.adoptions(shop, machine)
        holds = {
            name: held[0].adoption
            for name in {one.machine for one in known}
            if (held := store.current_priors(shop, name)) is not None
        }
    rows = [{**_plain(one), "holds": holds.get(one.machine) == one.adoption} for one in known]
    words = [_line(one, holds=holds.get(one.machine) == one.adoption) for one in known]
    say({"priors": rows}, "\n".join(words) or "No priors were taken.", as_json=json)


def roll_back(
    machine: Annotated[
        str, typer.Argument(metavar="MACHINE", help="Id of a machine.", show_default=False)
    ],
    shop: Shop = "local",
    by: By = "",
    json: options.Json = False,
) -> None:
    """Go back to the priors before, or to the machine's own file."""
    with opened_store() as store:
        gone = store.roll_back_priors(shop, machine, by or _logged_in())
        held = store.current_priors(shop, machine)
    now = "the figures of its own file" if held is None else f"the priors taken {_day(held[0])}"
    words = f"{machine}: jobs opened from now on have {now} again."
    told = {"rolled_back": _plain(gone), "holds": None if held is None else _plain(held[0])}
    say(told, words, as_json=json)


def _day(adoption: "Adoption") -> str:
    return f"{adoption.adopted_at.astimezone():%Y-%m-%d %H:%M}"


def _line(adoption: "Adoption", *, holds: bool) -> str:
    state = "holds" if holds else "replaced"
    if adoption.rolled_back_at is not None:
        state = f"rolled back {adoption.rolled_back_at.astimezone():%Y-%m-%d %H:%M}"
    who = f"by {adoption.adopted_by}" if adoption.adopted_by else ""
    told = (
        str(adoption.adoption),
        adoption.machine,
        _day(adoption),
        adoption.hash[:12],
        state,
        who,
    )
    return "  ".join(one for one in told if one)


def _plain(adoption: "Adoption") -> dict[str, Any]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in asdict(adoption).items()
    }
