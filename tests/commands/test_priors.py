"""`--priors` on the commands, and `diagnose priors`: taken, listed, gone back from."""

from __future__ import annotations

import getpass
import json
from typing import TYPE_CHECKING

import pytest

from diagnose.commands.program import COMMANDS, run
from diagnose.machine.load import load_machine
from diagnose.machine.overlay import Overlay, Rate
from diagnose.machine.overlay_file import laid_over, overlay_text, write_overlay
from diagnose.steps.opening import Opening
from diagnose.store.keeper import Keeper
from diagnose.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran


def overlay_of(machine: str, per_1000: float = 300.0) -> Overlay:
    """A cart whose relay plug fails all the time."""
    known = load_machine(machine)
    rates = {("relay_plug", "open"): Rate(per_1000, per_1000 / 2.0, per_1000 * 2.0, 5.0, 0.8)}
    return Overlay(known.id, known.version, known.content_hash, orders=77, rates=rates)


@pytest.fixture
def priors(cart: str, tmp_path: Path) -> str:
    file = tmp_path / "priors.yaml"
    write_overlay(overlay_of(cart), file)
    return str(file)


@pytest.fixture
def own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOSTART_STORE", f"sqlite:///{tmp_path / 'store.db'}")


def test_advice_says_which_priors_it_used(cart: str, priors: str, call: Callable[..., Ran]) -> None:
    plain = call("advise", cart, "-c", "silent", "--json").json
    learnt = call("advise", cart, "-c", "silent", "--priors", priors, "--json").json
    assert plain["priors_version"] == ""
    assert learnt["priors_version"] == overlay_of(cart).version
    assert plain["suspects"][0]["part"] != "relay_plug"
    assert (learnt["suspects"][0]["part"], learnt["suspects"][0]["mode"]) == ("relay_plug", "open")


def test_every_command_about_a_machine_takes_priors(
    cart: str, priors: str, call: Callable[..., Ran], tmp_path: Path
) -> None:
    words = {
        "advise": ("-c", "silent"),
        "card": ("-c", "silent", "--jobs", "0", "--svg", str(tmp_path / "card.svg")),
        "review": (),
        "draw": ("-c", "silent", "--svg", str(tmp_path / "cart.svg")),
        "trial": ("--jobs", "4", "--workers", "1"),
        "network": ("--bif", str(tmp_path / "cart.bif"), "--states", "0"),
        "machines": (),
    }
    for command, more in words.items():
        done = call(command, cart, *more, "--priors", priors)
        assert done.code == 0, (command, done.err)
    assert call("demo", "--machine", cart, "--priors", priors, "--json").code == 0
    no_machine = {"check", "new", "schema", "serve", "jobs"}  # of a file, or of none
    with_priors = {*words, "demo", "bench", "refit"}
    assert {command.__name__ for command in COMMANDS} <= no_machine | with_priors
    assert f"priors {overlay_of(cart).version}" in call("machines", cart, "--priors", priors).out


def test_what_is_wrong_in_a_priors_file_is_told_with_its_place(
    cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    file = tmp_path / "bad.yaml"
    file.write_text(overlay_text(overlay_of(cart)).replace("relay_plug", "relay_plugg"), "utf-8")
    done = call("advise", cart, "-c", "silent", "--priors", str(file))
    assert done.code == 6
    assert "nearest is 'relay_plug'" in done.errors[0]
    assert done.errors[0].startswith(f"{file}:1")


def test_priors_of_another_machine_are_refused(
    certain_cart: str, priors: str, call: Callable[..., Ran]
) -> None:
    done = call("advise", certain_cart, "-c", "silent", "--priors", priors)
    assert done.code == 6
    assert len(done.errors) == 1
    assert "name the priors of sure_cart" in done.errors[0]


@pytest.mark.usefixtures("own_store")
def test_priors_are_taken_listed_and_gone_back_from(
    cart: str, priors: str, call: Callable[..., Ran], tmp_path: Path
) -> None:
    assert call("priors", "list").out == "No priors were taken.\n"
    first = call("priors", "adopt", cart, priors, "--by", "jo", "--json").json
    assert first["priors_version"] == overlay_of(cart).version
    second = tmp_path / "second.yaml"
    write_overlay(overlay_of(cart, 5.0), second)
    assert "hold for the jobs" in call("priors", "adopt", cart, str(second)).out
    held = call("priors", "list", "--json").json["priors"]
    assert [one["holds"] for one in held] == [False, True]
    assert [one["adopted_by"] for one in held] == ["jo", getpass.getuser()]
    back = call("priors", "roll-back", "barn_cart", "--by", "ak", "--json").json
    assert back["holds"]["hash"] == first["hash"]
    held = call("priors", "list", "--machine", "barn_cart", "--json").json["priors"]
    assert [one["holds"] for one in held] == [True, False]
    assert held[1]["rolled_back_by"] == "ak"
    assert "figures of its own file" in call("priors", "roll-back", "barn_cart").out
    assert call("priors", "roll-back", "barn_cart").code == 3


@pytest.mark.usefixtures("own_store")
def test_priors_for_another_file_are_not_taken(
    certain_cart: str, priors: str, call: Callable[..., Ran]
) -> None:
    assert call("priors", "adopt", certain_cart, priors).code == 6
    assert call("priors", "list", "--json").json == {"priors": []}


@pytest.mark.usefixtures("own_store")
def test_a_kept_job_keeps_the_priors_that_it_was_opened_with(
    cart: str, priors: str, call: Callable[..., Ran]
) -> None:
    call("priors", "adopt", cart, priors)
    store = Store.open()
    keeper = Keeper(store, "local", with_priors=laid_over)
    going = keeper.open_job(Opening(machine=cart, complaint="silent"))
    version = overlay_of(cart).version
    assert going.job.advise().priors_version == version
    assert json.loads(call("priors", "roll-back", "barn_cart", "--json").out)["holds"] is None
    assert keeper.job(going.kept.job_id).job.advise().priors_version == version
    later = keeper.open_job(Opening(machine=cart, complaint="silent"))
    assert later.job.advise().priors_version == ""
    store.close()


@pytest.mark.usefixtures("own_store")
def test_the_bench_does_not_keep_a_job_with_priors_from_a_file(
    cart: str, priors: str, call: Callable[..., Ran]
) -> None:
    done = call("bench", cart, "-c", "silent", "--priors", priors, typed=("quit",))
    assert done.code == 0
    assert "adopted priors only" in done.out
    assert call("jobs", "--json").json["jobs"] == []
    call("priors", "adopt", cart, priors)
    done = call("bench", cart, "-c", "silent", "--json", typed=("quit",))
    assert done.json["priors_version"] == overlay_of(cart).version
    assert run(["jobs"]) == 0
