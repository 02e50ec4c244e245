"""Whole trials: the same rows for any executor, comparisons, the picture and the command."""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import numpy as np
import pytest

from diagnose.commands.program import run
from diagnose.errors import UnknownNameError, ValueOutOfRangeError
from diagnose.trial.compare import COMPARED, compare_policies
from diagnose.trial.figures import difference
from diagnose.trial.picture import picture
from diagnose.trial.run import run_trial
from diagnose.trial.simulate import PIECE
from tests.commands.carts import CART

if TYPE_CHECKING:
    from pathlib import Path

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("kind", ["threads", "processes"])
def test_the_same_rows_for_any_executor(kind: str) -> None:
    # A piece and the beginning of another. An executor of one's own is left open.
    jobs = PIECE + 20
    alone = run_trial(CART, "repair_only", jobs, 4, "silent", workers=1)
    if kind == "threads":
        executor = ThreadPoolExecutor(2)
    else:
        executor = ProcessPoolExecutor(2, mp_context=get_context("spawn"))
    told: list[tuple[int, int]] = []
    with executor:
        sent = run_trial(
            CART, "repair_only", jobs, 4, "silent", executor=executor,
            progress=lambda done, total: told.append((done, total)),
        )  # fmt: skip
        assert executor.submit(int, "7").result() == 7
    np.testing.assert_array_equal(alone.rows, sent.rows)
    assert told[-1] == (jobs, jobs)
    assert len(told) == 2


def test_an_executor_takes_another_trial_after_the_first() -> None:
    with ThreadPoolExecutor(1) as executor:
        for policy in ("gate", "repair_only"):
            sent = run_trial(CART, policy, 6, 1, executor=executor)
            assert sent.to_dict() == run_trial(CART, policy, 6, 1).to_dict()


def test_a_comparison_is_of_the_same_jobs() -> None:
    told: list[tuple[int, int]] = []
    found = compare_policies(
        CART, ("gate", "repair_only", "gate"), 40, 3, "silent",
        progress=lambda done, total: told.append((done, total)),
    )  # fmt: skip
    gate, repairs = found.results
    assert (gate.policy, repairs.policy) == ("gate", "repair_only")
    np.testing.assert_array_equal(gate.rows["known_minutes"], repairs.rows["known_minutes"])
    assert found.saved == (difference(gate.rows, repairs.rows),)
    assert gate.to_dict() == run_trial(CART, "gate", 40, 3, "silent").to_dict()
    assert told[-1] == (80, 80)


def test_bad_comparisons_are_named() -> None:
    with pytest.raises(ValueOutOfRangeError):
        compare_policies(CART, ())
    with pytest.raises(UnknownNameError, match="policy"):
        compare_policies(CART, ("gate", "gates"))


def test_the_command_compares(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "minutes.svg"
    words = ["trial", str(CART), "-p", "gate", "-p", "gain", "-n", "15", "--seed", "4"]
    assert run([*words, "--json", "--svg", str(file)]) == 0
    found = json.loads(capsys.readouterr().out)
    wanted = compare_policies(CART, ("gate", "gain"), 15, 4)
    assert found == json.loads(json.dumps(wanted.to_dict()))
    assert found["saved_by_first"][0]["against"] == "gain"
    assert run(words) == 0
    out = capsys.readouterr().out
    for one in wanted.results:
        for figure in (one.figures.finding_minutes, one.figures.labour_minutes):
            assert f"{figure.value:.1f} ±{figure.high - figure.value:.1f}" in out
    names = {text.text for text in ElementTree.parse(file).iter(f"{SVG}text")}  # noqa: S314 - our own
    assert {"gate", "gain"} <= names


def test_the_command_compares_all_but_the_slow_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trial", str(CART), "--compare", "-n", "4", "-c", "slow_crank", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["policy"] for one in found["policies"]] == list(COMPARED)
    assert "rollout" not in COMPARED


def test_the_command_gives_what_the_function_gives(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["trial", str(CART), "--policy", "repair_only", "--jobs", "60", "--seed", "4"]
    assert run([*words, "-c", "slow_crank", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    result = run_trial(CART, "repair_only", 60, 4, "slow_crank")
    assert found == result.to_dict()
    assert run([*words, "-c", "slow_crank"]) == 0
    assert f"{found['figures']['mean_minutes']['value']:.1f}" in capsys.readouterr().out


def test_bad_requests_are_named() -> None:
    with pytest.raises(UnknownNameError, match="policy"):
        run_trial(CART, "gates", 10)
    with pytest.raises(UnknownNameError, match="complaint"):
        run_trial(CART, "gate", 10, complaint="deaf")
    for jobs in (1, 10**9):
        with pytest.raises(ValueOutOfRangeError, match="jobs"):
            run_trial(CART, "gate", jobs)
    with pytest.raises(ValueOutOfRangeError, match="seed"):
        run_trial(CART, "gate", 10, -1)


def test_the_rule_beats_its_rivals_on_the_same_jobs() -> None:
    # What it is for. Who measures along the wiring is no straw man: he beats whoever repairs at a
    # guess, and throws away fewer good parts.
    policies = ("gate", "source_to_load", "certainty_95", "repair_only")
    gate, along, sure, guessed = (run_trial(CART, policy, 200, 1).rows for policy in policies)
    np.testing.assert_array_equal(gate["known_minutes"], along["known_minutes"])
    for rival in (along, sure, guessed):
        assert difference(gate, rival).minutes.low > 0.0
    assert difference(along, guessed).minutes.low > 0.0
    assert difference(along, guessed).good_parts.low > 0.0


def test_the_picture_shows_every_job_once() -> None:
    # The bars of a band are shares of the jobs: their areas add up to the same for every policy.
    rng = np.random.default_rng(0)
    minutes = {"gate": rng.gamma(2.0, 5.0, 400), "<odd> & even": rng.gamma(2.0, 30.0, 700)}
    root = ElementTree.fromstring(picture("a <title> & more", minutes))  # noqa: S314 - our own
    bars = [one for one in root.iter(f"{SVG}rect") if one.get("class") == "bar"]
    foot = {
        float(one.get("y2", "0")) for one in root.iter(f"{SVG}line") if one.get("class") == "base"
    }
    areas = dict.fromkeys(foot, 0.0)
    for bar in bars:
        bottom = float(bar.attrib["y"]) + float(bar.attrib["height"])
        base = min(foot, key=lambda y: abs(y - bottom))
        assert bottom == pytest.approx(base, abs=0.11)
        areas[base] += float(bar.attrib["height"])
    assert len(areas) == 2
    one, two = areas.values()
    assert one == pytest.approx(two, rel=0.03)
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert (
        f"mean {minutes['gate'].mean():.1f}, nine in ten {np.quantile(minutes['gate'], 0.9):.0f}"
        in words
    )
    assert "<odd> & even" in words


def test_the_picture_holds_a_single_job_of_no_minutes() -> None:
    root = ElementTree.fromstring(picture("none", {"gate": np.zeros(1)}))  # noqa: S314 - our own
    assert len([one for one in root.iter(f"{SVG}rect") if one.get("class") == "bar"]) == 1
