"""`diagnose refit`: from two tables to priors, a report, and everything that could not be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest
from distributed import LocalCluster

from diagnose.machine.load import load_machine
from diagnose.machine.overlay_file import read_overlay
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran

COUNT = 60


@pytest.fixture(scope="module")
def shop(cart: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Tables of a shop; one order's complaint and one test in its own words, one row broken."""
    machine = load_machine(cart)
    made = simulated_orders(
        machine, COUNT, 3, truth=drawn_world(machine, 4), practice=Practice(comes_back=0.0)
    )
    folder = tmp_path_factory.mktemp("shop")
    orders, steps = pd.DataFrame(made.orders), pd.DataFrame(made.steps)
    orders.loc[0, "complaint_told"] = "no crank"
    late = ~steps["order_id"].isin(orders["order_id"].head(2))
    found = steps.index[(steps["kind"] == "finding") & late][0]
    steps.loc[found, "test"] = "klick am relais"
    orders.loc[1, "closed_at"] = "2020-01-01T00:00:00+00:00"
    orders.to_csv(folder / "orders.csv", index=False)
    steps.to_parquet(folder / "steps.parquet")
    return folder


def words(shop: Path, cart: str, out: Path) -> tuple[str, ...]:
    files = (str(shop / "orders.csv"), str(shop / "steps.parquet"))
    return ("refit", *files, "--machine", cart, "--out", str(out))


def test_priors_are_written_and_what_could_not_be_used_lies_beside(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    out = tmp_path / "priors.yaml"
    done = call(*words(shop, cart, out), "--no-judge")
    assert done.code == 0, done.err
    overlay = read_overlay(out, load_machine(cart))
    assert overlay.version in done.out
    assert f"orders: {COUNT} read, {COUNT - 2} used, 2 refused" in done.out
    assert "closed before it was opened (refused)" in done.out
    assert "'klick am relais'" in done.out
    beside = tmp_path / "priors_refused"
    assert {file.stem for file in beside.iterdir()} == {
        "problems",
        "refused_orders",
        "refused_steps",
        "unmapped",
    }
    assert len(pd.read_csv(beside / "refused_orders.csv")) == 2
    advice = call("advise", cart, "-c", "silent", "--priors", str(out), "--json").json
    assert advice["priors_version"] == overlay.version


def test_a_filled_list_of_words_is_the_mapping(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    out = tmp_path / "priors.yaml"
    call(*words(shop, cart, out), "--no-judge")
    unmapped = pd.read_csv(tmp_path / "priors_refused" / "unmapped.csv")
    ids = {"no crank": "silent", "klick am relais": "hear_relay"}
    unmapped["id"] = unmapped["text"].map(ids)
    unmapped.to_csv(tmp_path / "words.csv", index=False)
    again = call(*words(shop, cart, out), "--no-judge", "--mapping", str(tmp_path / "words.csv"),
                 "--json").json  # fmt: skip
    assert again["unmapped"] == []
    assert again["read"]["orders"]["used"] == COUNT - 1
    assert again["priors_version"] == read_overlay(out, load_machine(cart)).version
    assert again["orders"] > 0
    assert {rate["kind"] for rate in again["rates"]} == {"mode", "cause", "not listed"}


def test_a_report_is_written_with_what_was_judged(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    page = tmp_path / "report.html"
    done = call(*words(shop, cart, tmp_path / "p.yaml"), "--report", str(page), "--jobs", "4",
                "--json").json  # fmt: skip
    assert done["verdict"]["action"] in {"adopt", "keep"}
    assert done["files"] == [str(tmp_path / "p.yaml"), str(page)]
    text = page.read_text("utf-8")
    assert done["verdict"]["reason"].replace("'", "&#x27;") in text
    assert "Whether to believe it" in text
    scores = pd.read_csv(tmp_path / "report_tables" / "scores.csv")
    gain = scores.iloc[0]
    assert gain["difference"] == pytest.approx(gain["refitted"] - gain["shipped"])
    judged = read_overlay(tmp_path / "p.yaml", load_machine(cart)).judged
    assert judged is not None
    assert (judged.verdict, judged.reason) == (done["verdict"]["action"], done["verdict"]["reason"])
    assert judged.scores[0].refitted == pytest.approx(gain["refitted"], rel=1e-5)
    bins = pd.read_csv(tmp_path / "report_tables" / "calibration.csv")
    assert [own.cases for own in judged.calibration] == bins["cases"].tolist()


def test_a_refit_begins_from_priors_in_use(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    first, second = tmp_path / "first.yaml", tmp_path / "second.yaml"
    call(*words(shop, cart, first), "--no-judge")
    done = call(*words(shop, cart, second), "--no-judge", "--priors", str(first))
    assert done.code == 0, done.err
    known = load_machine(cart)
    assert read_overlay(second, known).parent_hash == read_overlay(first, known).content_hash


def test_what_is_no_table_ends_with_one_line(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    missing = call("refit", str(tmp_path / "none.csv"), str(shop / "steps.parquet"),
                   "--machine", cart)  # fmt: skip
    assert missing.code == 6
    assert len(missing.errors) == 1
    assert "none.csv: cannot be read" in missing.errors[0]
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n", "utf-8")
    strange = call("refit", str(other), str(shop / "steps.parquet"), "--machine", cart)
    assert strange.code == 6
    assert "has no column 'order_id'" in strange.errors[0]


def test_the_demonstration_refits_its_own_orders_and_says_where_things_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: Callable[..., Ran]
) -> None:
    """What a refit of them gives is held by the session of the README."""
    asked: list[tuple[tuple[Path, ...], dict[str, object]]] = []

    def note(orders: Path, steps: Path, machine: str, **options: object) -> None:
        asked.append(((orders, steps), {"machine": machine, **options}))

    monkeypatch.setattr("diagnose.commands.refit_demo.refit", note)
    done = call("demo", "--analyst", "--machine", "utility_vehicle", "--folder", str(tmp_path))
    assert done.code == 0, done.err
    (files, options), *_ = asked
    assert all(file.parent == tmp_path and file.stat().st_size > 100_000 for file in files)
    assert options["machine"] == "utility_vehicle"
    assert options["report"] == tmp_path / "utility_vehicle_report.html"
    assert options["out"] == tmp_path / "utility_vehicle_priors.yaml"
    assert (tmp_path / "larkfield_words.csv").is_file()


def test_a_cluster_gives_the_same_priors(
    shop: Path, cart: str, tmp_path: Path, call: Callable[..., Ran]
) -> None:
    """A cluster of threads here, reached by its address; then an address where nobody is."""
    here, there = tmp_path / "here.yaml", tmp_path / "there.yaml"
    assert call(*words(shop, cart, here), "--no-judge").code == 0
    with LocalCluster(
        1, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    ) as cluster:
        address = cluster.scheduler_address
        done = call(*words(shop, cart, there), "--no-judge", "--dask", address)
    assert done.code == 0, done.err
    assert there.read_text("utf-8") == here.read_text("utf-8")
    lost = call(*words(shop, cart, there), "--no-judge", "--dask", "tcp://127.0.0.1:9")
    assert lost.code != 0
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in lost.err
