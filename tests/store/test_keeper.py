"""Kept jobs with the engine: what is advised, and a machine file that changes meanwhile."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from diagnose.errors import (
    FullError,
    MachineFileError,
    NotKeptError,
    NotReadyError,
    RequestError,
    UnknownNameError,
    ValueOutOfRangeError,
    VersionConflictError,
    WrongStateError,
)
from diagnose.job import Job, prepare
from diagnose.kept import Kept
from diagnose.machine.archive import machine_to_json
from diagnose.machine.load import load_machine
from diagnose.steps import kinds
from diagnose.steps.advised import CLASH, advised
from diagnose.steps.opening import Opening
from diagnose.store.jobs import MOST_STEPS
from diagnose.store.keeper import Keeper, machine_of, ready
from diagnose.store.records import MachineFile, RequestKey
from tests.commands.carts import CLASH as CLASHING
from tests.commands.carts import put_cart, put_certain_cart

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.machine.model import Machine
    from diagnose.store.store import Store

SHOP = "barn"
OPENING = Opening(machine="barn_cart", complaint="silent", tools=("multimeter",))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of machines with the cart in it."""
    place = tmp_path / "machines"
    put_cart(place)
    return place


@pytest.fixture
def keeper(store: Store, folder: Path) -> Keeper:
    return Keeper(store, SHOP, folder)


def test_what_was_proposed_is_kept_with_the_step(keeper: Keeper) -> None:
    """It is what `Job.advise` says before the step; one proposal for all that come together."""
    going = keeper.open_job(OPENING)
    first = Job.open(keeper.folder / "barn_cart" / "machine.yaml", "silent", tools=["multimeter"])  # type: ignore[operator]
    verdict = first.advise().verdict
    steps = [
        kinds.Found(test="battery_rest", reading=12.6),
        kinds.Found(test="see_lamp", outcome="on"),
    ]
    going = keeper.record(going.kept.job_id, 0, steps)
    told = [kept.noted.advised for kept in going.steps]
    assert told == [f"{verdict.action} {verdict.target}"] * 2
    later = first.record("battery_rest", 12.6).record("see_lamp", "on")
    assert going.job.situation == later.situation
    going = keeper.record(going.kept.job_id, 2, [kinds.Undone()])
    assert going.steps[-1].noted.advised == advised(later)
    assert going.steps[-1].noted.tool_version
    assert keeper.job(going.kept.job_id).job.advise() == going.job.advise()


def test_what_a_job_refuses_is_not_kept(keeper: Keeper) -> None:
    going = keeper.open_job(OPENING)
    steps = [kinds.Tools(), kinds.Found(test="battery_rst", outcome="good")]
    with pytest.raises(UnknownNameError) as met:
        keeper.record(going.kept.job_id, 0, steps)
    assert met.value.place == "steps[1].test"
    with pytest.raises(WrongStateError, match=r"steps\[0\]"):
        keeper.record(going.kept.job_id, 0, [kinds.Reopened()])
    with pytest.raises(VersionConflictError):
        keeper.record(going.kept.job_id, 1, [kinds.Tools()])
    with pytest.raises(FullError):
        keeper.record(going.kept.job_id, 0, [kinds.Tools()] * (MOST_STEPS + 1))
    assert keeper.job(going.kept.job_id).steps == ()
    for refused in (replace(OPENING, complaint="silnt"), replace(OPENING, tools=("hammer",))):
        with pytest.raises(UnknownNameError):
            keeper.open_job(refused)
    assert len(keeper.store.jobs(SHOP).jobs) == 1


def test_a_request_that_is_sent_again_takes_nothing_twice(keeper: Keeper) -> None:
    """Taken again, the finding would clash with itself; and the version is an old one."""
    key, going = RequestKey("k", "a" * 64), keeper.open_job(OPENING)
    steps = [kinds.Found(test="see_lamp", outcome="on")]
    first = keeper.record(going.kept.job_id, 0, steps, key=key)
    again = keeper.record(going.kept.job_id, 0, steps, key=key)
    assert again.steps == first.steps
    assert again.job.situation == first.job.situation


def test_findings_that_cannot_all_be_true_are_advice_of_their_own(
    store: Store, tmp_path: Path
) -> None:
    put_certain_cart(tmp_path)
    keeper = Keeper(store, SHOP, tmp_path)
    going = keeper.open_job(replace(OPENING, machine="sure_cart", tools=()))
    told = {"battery_rest": "charged", **CLASHING}
    steps = [kinds.Found(test=test, outcome=outcome) for test, outcome in told.items()]
    going = keeper.record(going.kept.job_id, 0, steps)
    assert advised(going.job) == CLASH
    going = keeper.record(going.kept.job_id, len(steps), [kinds.Undone()])
    assert going.steps[-1].noted.advised == CLASH
    assert going.job.advise().suspects


def test_an_answer_can_be_given_again_after_the_file_has_changed(
    keeper: Keeper, folder: Path
) -> None:
    going = keeper.open_job(OPENING)
    before = going.job.advise()
    change(folder, 'version: "1"', 'version: "2"')
    change(folder, "new_part_bad_per_1000: ", "new_part_bad_per_1000: 1")
    again = keeper.job(going.kept.job_id)
    assert again.job.machine.version == "1"
    assert again.job.advise() == before
    shutil.rmtree(folder)
    assert keeper.job(going.kept.job_id).job.advise() == before


def change(folder: Path, old: str, new: str) -> None:
    """Change one place of the cart's file."""
    file = folder / "barn_cart" / "machine.yaml"
    text = file.read_text("utf-8")
    assert text.count(old) == 1, old
    file.write_text(text.replace(old, new), "utf-8")


def test_moving_is_a_step_that_can_be_taken_back(keeper: Keeper, folder: Path) -> None:
    going = keeper.open_job(OPENING)
    job_id = going.kept.job_id
    going = keeper.record(job_id, 0, [kinds.Found(test="battery_rest", reading=12.6)])
    assert keeper.newest(job_id) is None
    change(folder, 'version: "1"', 'version: "2"')
    moved = keeper.newest(job_id)
    assert moved is not None
    going = keeper.record(job_id, 1, [moved, kinds.Found(test="see_lamp", outcome="on")])
    assert going.kept.machine_version == going.job.machine.version == "2"
    assert [found.test for found in going.job.findings] == ["battery_rest", "see_lamp"]
    assert keeper.newest(job_id) is None
    assert keeper.job(job_id).job.situation == going.job.situation
    going = keeper.record(job_id, 3, [kinds.Undone(), kinds.Undone()])
    assert going.kept.machine_version == going.job.machine.version == "1"
    assert [found.test for found in going.job.findings] == ["battery_rest"]
    assert keeper.job(job_id).job.situation == going.job.situation


def test_each_version_is_answered_with_the_file_and_the_priors_of_then(
    keeper: Keeper, folder: Path
) -> None:
    shop = replace(keeper, with_priors=rarer)
    going = shop.open_job(OPENING)
    job_id, given = going.kept.job_id, [(going.kept, going.job.advise())]

    def go_on(*steps: kinds.AnyStep) -> None:
        for step in steps:
            going = shop.record(job_id, len(given) - 1, [step])
            given.append((going.kept, going.job.advise()))

    def newest() -> kinds.Moved:
        step = shop.newest(job_id)
        assert step is not None
        return step

    go_on(kinds.Found(test="battery_rest", reading=12.6))
    change(folder, 'version: "1"', 'version: "2"')
    change(folder, "new_part_bad_per_1000: ", "new_part_bad_per_1000: 1")
    go_on(newest())
    shop.store.adopt_priors(SHOP, "barn_cart", "300", "Ruth")
    go_on(newest(), kinds.Found(test="see_lamp", outcome="on"), kinds.Undone(), kinds.Undone())
    assert [kept.machine_version for kept, _ in given] == ["1", "1", "2", "2", "2", "2", "2"]
    assert [kept.priors_hash is not None for kept, _ in given] == [
        *(False, False, False, True, True, True, False)
    ]
    shutil.rmtree(folder)
    for version, (kept, advice) in enumerate(given):
        then = shop.job(job_id, version)
        assert (then.kept, then.job.advise()) == (kept, advice), version
    assert len({advice.suspects for _, advice in given}) > 3
    for never in (-1, len(given)):
        with pytest.raises(ValueOutOfRangeError, match=r"at: .* 0 to 6"):
            shop.job(job_id, never)


def test_what_would_have_to_be_made_ready_can_be_refused(keeper: Keeper, folder: Path) -> None:
    """By content: a process that has met a file and its priors once goes on with them at once."""
    known = Kept[bool](10, lambda _: 1)
    bold = replace(keeper, with_priors=rarer, known=known)
    shy = replace(bold, only_known=True)
    with pytest.raises(NotReadyError):
        shy.open_job(OPENING)
    assert keeper.store.jobs(SHOP).jobs == ()
    going = bold.open_job(OPENING)
    job_id = going.kept.job_id
    assert shy.job(job_id).job.advise() == going.job.advise()
    assert shy.open_job(OPENING).kept.machine_version == "1"
    keeper.store.adopt_priors(SHOP, "barn_cart", "300", "Ruth")
    with pytest.raises(NotReadyError):
        shy.open_job(OPENING)
    change(folder, 'version: "1"', 'version: "2"')
    moved = shy.newest(job_id)
    assert moved is not None
    with pytest.raises(NotReadyError):
        shy.record(job_id, 0, [moved])
    assert shy.job(job_id).kept.version == 0
    bold.record(job_id, 0, [moved])
    assert shy.job(job_id).kept.machine_version == "2"
    assert shy.job(job_id, 0).kept.machine_version == "1"


def test_a_move_that_a_step_does_not_survive_is_refused(keeper: Keeper, folder: Path) -> None:
    going = keeper.open_job(OPENING)
    job_id = going.kept.job_id
    keeper.record(job_id, 0, [kinds.Found(test="see_lamp", outcome="on")])
    file = folder / "barn_cart" / "machine.yaml"
    file.write_text(file.read_text("utf-8").replace("see_lamp", "watch_lamp"), "utf-8")
    moved = keeper.newest(job_id)
    assert moved is not None
    with pytest.raises(UnknownNameError) as met:
        keeper.record(job_id, 1, [moved])
    assert met.value.place == "steps[0].test"
    assert keeper.job(job_id).kept.version == 1


def test_a_job_is_not_moved_to_another_machine(keeper: Keeper) -> None:
    going = keeper.open_job(OPENING)
    with pytest.raises(RequestError, match="barn_cart"):
        Keeper(keeper.store, SHOP).newest(going.kept.job_id, "push_mower")


def rarer(machine: Machine, text: str) -> Machine:
    """Stands for priors of a shop: their text is a number for `unlisted`."""
    return replace(machine, unlisted_per_1000=float(text))


def test_a_job_goes_on_with_the_priors_it_was_opened_with(keeper: Keeper) -> None:
    shop = replace(keeper, with_priors=rarer)
    plain = shop.open_job(OPENING)
    adopted = shop.store.adopt_priors(SHOP, "barn_cart", "300", "Ruth")
    going = shop.open_job(OPENING)
    assert going.kept.priors_hash == adopted.hash
    assert going.job.machine.unlisted_per_1000 == 300.0
    assert shop.job(plain.kept.job_id).job.advise() == plain.job.advise()
    assert going.job.advise().suspects != plain.job.advise().suspects
    shop.store.roll_back_priors(SHOP, "barn_cart", "Ruth")
    assert shop.job(going.kept.job_id).job.advise() == going.job.advise()
    moved = shop.newest(going.kept.job_id)
    assert moved is not None
    going = shop.record(going.kept.job_id, 0, [moved])
    assert going.job.advise().suspects == plain.job.advise().suspects
    with pytest.raises(NotKeptError):
        keeper.job(shop.record(going.kept.job_id, 1, [kinds.Undone()]).kept.job_id)


def test_a_file_that_reads_differently_now_is_read_as_it_was(folder: Path) -> None:
    """The dictionaries of defaults fill in other numbers later; the archive has those of then."""
    path = folder / "barn_cart" / "machine.yaml"
    machine, text = load_machine(path), path.read_text("utf-8")
    now = MachineFile("barn_cart", "1", text, machine_to_json(machine))
    then = replace(now, archive=machine_to_json(replace(machine, unlisted_per_1000=77.0)))
    assert ready(now).machine.unlisted_per_1000 == machine.unlisted_per_1000
    assert ready(then).machine.unlisted_per_1000 == 77.0
    assert ready(now) is ready(now)


def test_an_archive_of_an_older_program_is_read_from_the_text(folder: Path) -> None:
    path = folder / "barn_cart" / "machine.yaml"
    machine, text = load_machine(path), path.read_text("utf-8")
    old = MachineFile("barn_cart", "1", text, '{"format": 0}')
    assert machine_of(old) == machine
    with pytest.raises(MachineFileError):
        machine_of(replace(old, text="machine: {}"))


def test_a_file_that_changes_while_it_is_read_is_kept_whole(
    keeper: Keeper, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / "barn_cart" / "machine.yaml"
    before = load_machine(path)
    change(folder, 'version: "1"', 'version: "2"')
    late = replace(prepare(path), machine=before)
    monkeypatch.setattr("diagnose.store.keeper.prepare", lambda *_, **__: late)
    going = keeper.open_job(OPENING)
    file = keeper.store.machine_file(SHOP, going.kept.job_id)
    assert (file.version, file.text) == ("2", path.read_text("utf-8"))
