"""Jobs that are kept, at the terminal."""

from __future__ import annotations

import inspect
import json
import re
from typing import TYPE_CHECKING

import pytest

from diagnose.commands.program import GROUPS
from diagnose.job import Job
from diagnose.steps import kinds
from diagnose.store.keeper import Keeper
from diagnose.store.records import LOCAL
from diagnose.store.schema import HEAD
from diagnose.store.store import Store
from tests.commands.test_commands import README

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.commands.conftest import Ran

    Call = Callable[..., Ran]


@pytest.fixture(autouse=True)
def store_url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A store of this test alone."""
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    monkeypatch.setenv("NOSTART_STORE", url)
    return url


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    opened = Store.open(store_url)
    yield opened
    opened.close()


def kept_as(ran: Ran) -> str:
    """The id that the bench says at the end."""
    told = re.search(r"as job (\w+);", ran.out + ran.err)
    assert told is not None, ran.out
    return told[1]


def test_every_command_of_a_group_can_answer_in_json_and_is_in_the_readme() -> None:
    text = README.read_text("utf-8")
    for group, (_, commands) in GROUPS.items():
        for word, command in commands.items():
            assert "json" in inspect.signature(command).parameters
            assert f"diagnose {group} {word}" in text


def test_all_that_is_taken_in_the_talk_is_kept(call: Call, cart: str, store: Store) -> None:
    typed = (
        "battery_rest=12,6 V",
        "nonsense",
        "do see_lamp",
        "on",
        "do listen_relay",
        "skip too loud",
        "open seat",
        "close seat",
        "complaint slow_crank",
        "why",
        "quit",
    )
    ran = call(
        "bench", cart, "-c", "silent", "-f", "see_nest=found", "--by", "Ruth",
        "--reference", "W-17", typed=typed,
    )  # fmt: skip
    log = store.log(LOCAL, kept_as(ran))
    assert [kept.step.kind for kept in log.steps] == [
        *("finding", "finding", "area_opened", "finding", "set_aside"),
        *("area_opened", "area_closed", "told"),
    ]
    assert {kept.step.by for kept in log.steps} == {log.opening.by} == {"Ruth"}
    assert log.job.shop_reference == "W-17"
    assert log.steps[1].step == kinds.Found(
        test="battery_rest",
        outcome="charged",
        reading=12.6,
        unit="V",
        at=log.steps[1].step.at,
        by="Ruth",
    )
    assert log.steps[0].noted.advised is None  # nothing was proposed before it
    first = Job.open(cart, "silent").record("see_nest", "found").advise().verdict
    assert log.steps[1].noted.advised == f"{first.action} {first.target}"


def test_a_job_goes_on_where_it_stopped(call: Call, cart: str) -> None:
    """As if it had been one talk; what was typed before can be taken back."""
    job_id = kept_as(call("bench", cart, "-c", "silent", typed=("battery_rest=12.6", "quit")))
    typed = ("see_lamp=on", "quit")
    ran = call("bench", "--job", job_id, "--json", typed=typed)
    whole = Job.open(cart, "silent").record("battery_rest", 12.6).open_area("tray")
    wanted = whole.record("see_lamp", "on").advise()
    assert ran.json == json.loads(json.dumps(wanted.to_dict()))
    assert kept_as(ran) == job_id
    ran = call("bench", "--job", job_id, "--json", typed=("undo", "undo", "quit"))
    assert ran.json["findings"] == []
    assert ran.json == json.loads(json.dumps(Job.open(cart, "silent").advise().to_dict()))


def test_what_was_opened_for_a_result_is_taken_back_with_it(
    call: Call, cart: str, store: Store
) -> None:
    typed = ("battery_rest=12.6", "undo", "see_nest=found", "open tray", "undo", "quit")
    job_id = kept_as(call("bench", cart, "-c", "silent", typed=typed))
    going = Keeper(store, LOCAL).job(job_id)
    wanted = Job.open(cart, "silent").record("see_nest", "found").open_area("seat")
    assert going.job.situation == wanted.situation
    kinds_told = [kept.step.kind for kept in going.steps]
    assert kinds_told.count("undone") == 3


def test_a_job_is_closed_with_two_questions(call: Call, cart: str, store: Store) -> None:
    typed = (
        "repaired start_relay.replace runs",
        "finish",
        "start_relay.bogus",  # asked again
        "1 seen",
        "35 water had got in",
    )
    ran = call("bench", cart, "-c", "silent", typed=typed)
    assert ran.code == 0
    assert "nearest" in ran.out or "unknown mode" in ran.out
    job = store.job(LOCAL, kept_as(ran))
    assert (job.status, job.ended, job.cause_part, job.cause_seen) == (
        "closed",
        "runs",
        "start_relay",
        True,
    )
    assert job.cause_mode in Job.open(cart, "silent").machine.parts["start_relay"].modes
    assert (job.labour_minutes, job.note) == (35.0, "water had got in")
    assert ran.out.count("> ") >= 2
    ran = call("bench", "--job", job.job_id, typed=("quit",))
    assert f"{job.job_id} is open again" in ran.out
    assert store.job(LOCAL, job.job_id).status == "open"


@pytest.mark.parametrize(
    ("typed", "ended"),
    [
        (("finish given_up", "", ""), "given_up"),
        (("finish handed_over", "", ""), "handed_over"),
        (("finish", "", ""), "given_up"),
        (("finish no_fault_found", "7"), "no_fault_found"),
    ],
)
def test_what_nobody_knows_is_left_empty(
    call: Call, cart: str, store: Store, typed: tuple[str, ...], ended: str
) -> None:
    job = store.job(LOCAL, kept_as(call("bench", cart, "-c", "silent", typed=typed)))
    assert (job.status, job.ended, job.cause_part, job.note) == ("closed", ended, None, None)


def test_a_closing_that_is_broken_off_closes_nothing(call: Call, cart: str, store: Store) -> None:
    job = store.job(LOCAL, kept_as(call("bench", cart, "-c", "silent", typed=("finish",))))
    assert job.status == "open"
    ran = call("bench", cart, "-c", "silent", typed=("finish givn_up", "quit"))
    assert "given_up" in ran.out
    assert store.job(LOCAL, kept_as(ran)).status == "open"


def test_what_somebody_else_has_told_meanwhile_is_shown(
    call: Call, cart: str, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another tablet is faster: nothing of it is lost, and what was typed is typed once more."""
    job_id = kept_as(call("bench", cart, "-c", "silent", typed=("quit",)))
    keeper, real = Keeper(store, LOCAL), Keeper.record
    told: list[str] = []

    def record(self: Keeper, *rest: object, **more: object) -> object:
        if not told:
            told.append("once")
            real(keeper, job_id, 0, [kinds.Found(test="see_lamp", outcome="on")])
        return real(self, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Keeper, "record", record)
    typed = ("battery_rest=12.6", "battery_rest=12.6", "quit")
    ran = call("bench", "--job", job_id, typed=typed)
    assert ran.out.count("somebody else has gone on") == 1
    steps = [kept.step.kind for kept in store.log(LOCAL, job_id).steps]
    assert steps == ["finding", "finding", "area_opened"]


def test_a_bench_works_where_nothing_can_be_written(
    call: Call, cart: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOSTART_STORE", "sqlite:////proc/nowhere/jobs.sqlite")
    ran = call("bench", cart, "-c", "silent", typed=("battery_rest=12.6", "finish", "", "", ""))
    assert ran.code == 0
    assert ran.out.count("nothing is kept") == 1
    assert "FINDING SHEET" in ran.out
    assert "12.6" in ran.out
    assert "as job" not in ran.out


def test_a_store_that_goes_away_in_the_middle_is_said_once(
    call: Call, cart: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from diagnose.errors import StoreError  # noqa: PLC0415

    def full(*_: object, **__: object) -> None:
        raise StoreError("the store cannot be used: disk is full")

    monkeypatch.setattr(Store, "append_steps", full)
    typed = ("battery_rest=12.6", "see_lamp=on", "quit")
    ran = call("bench", cart, "-c", "silent", "--json", typed=typed)
    assert ran.code == 0
    assert len(ran.json["findings"]) == 2
    assert ran.err.count("disk is full") == 1


def test_a_job_that_is_not_kept_is_an_unknown_name(call: Call) -> None:
    ran = call("bench", "--job", "zzz")
    assert (ran.code, ran.errors) == (3, ["diagnose: no job 'zzz' is kept"])
    for told in (("-c", "silent"), ("-f", "see_lamp=on"), ("--celsius", "5")):
        assert call("bench", "--job", "zzz", *told).code == 2
    ran = call("bench")
    assert ran.code == 2
    assert "MACHINE" in ran.err


def test_a_refused_opening_keeps_nothing(call: Call, cart: str, store: Store) -> None:
    assert call("bench", cart, "-c", "silent", "-f", "see_nst=found").code == 3
    assert store.jobs(LOCAL).jobs == ()


def test_the_file_of_then_is_used_until_the_job_is_moved(
    call: Call, cart: str, tmp_path: Path
) -> None:
    file = tmp_path / "cart.yaml"
    with open(cart, encoding="utf-8") as shipped:  # noqa: PTH123
        text = shipped.read()
    file.write_text(text, "utf-8")
    job_id = kept_as(call("bench", str(file), "-c", "silent", typed=("quit",)))
    file.write_text(text.replace('version: "1"', 'version: "2"'), "utf-8")
    again = call("bench", "--job", job_id, "--json", typed=("quit",))
    assert again.json["machine_version"] == "1"
    words = ("bench", str(file), "--job", job_id, "--move", "--json")
    moved = call(*words, typed=("quit",))
    assert moved.json["machine_version"] == "2"
    assert "as it is now" in moved.err
    assert "the same file" in call(*words, typed=("quit",)).err


def test_jobs_are_listed(call: Call, cart: str, store: Store) -> None:
    assert call("jobs").out == "No jobs are kept.\n"
    first = kept_as(call("bench", cart, "-c", "silent", typed=("finish given_up", "", "")))
    second = kept_as(
        call("bench", cart, "-c", "slow_crank", "--reference", "W-17", typed=("quit",))
    )
    lines = call("jobs").out.splitlines()
    assert [line.split()[0] for line in lines] == [second, first]
    assert "closed (given_up)" in lines[1]
    assert lines[0].endswith("W-17")
    listed = call("jobs", "--json").json
    assert [job["job_id"] for job in listed["jobs"]] == [second, first]
    assert listed["more"] is False
    assert call("jobs", "--limit", "1").out.splitlines()[1].startswith("... and more")
    for words, wanted in (
        (("--status", "closed"), [first]),
        (("--reference", "W-17"), [second]),
        (("--machine", "barn_cart"), [second, first]),
        (("--since", "2999-01-01"), []),
        (("--shop", "yard"), []),
    ):
        found = [job["job_id"] for job in call("jobs", *words, "--json").json["jobs"]]
        assert found == wanted, words
    assert call("jobs", "--status", "lost").code == 1
    assert store.check() == ()


def test_the_store_is_looked_after(
    call: Call, cart: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call("bench", cart, "-c", "silent", typed=("finish given_up", "", ""))
    assert call("store", "upgrade", "--json").json == {"before": HEAD, "now": HEAD}
    assert "as before" in call("store", "upgrade").out
    assert call("store", "check", "--json").json["problems"] == []
    assert call("store", "check").out.endswith(": sound.\n")
    copy = tmp_path / "copy.sqlite"
    assert call("store", "backup", str(copy), "--json").json["bytes"] == copy.stat().st_size
    ran = call("store", "backup", str(copy))
    assert (ran.code, "already" in ran.err) == (1, True)
    folder = tmp_path / "out"
    files = call("store", "export", str(folder), "--format", "jsonl", "--json").json["files"]
    order = json.loads((folder / "orders.jsonl").read_text("utf-8"))
    assert order["ended"] == "given_up"
    assert len(files) == 2
    assert call("store", "export", str(folder), "--format", "xls").code == 3
    monkeypatch.setenv("NOSTART_STORE", f"sqlite:///{copy}")
    assert len(call("jobs").out.splitlines()) == 1


def test_a_store_that_is_not_sound_ends_with_code_1(call: Call, cart: str, store: Store) -> None:
    from sqlalchemy import update  # noqa: PLC0415

    from diagnose.store.tables import jobs  # noqa: PLC0415

    call("bench", cart, "-c", "silent", typed=("quit",))
    with store._database.writing() as connection:
        connection.execute(update(jobs).values(version=9))
    ran = call("store", "check")
    assert ran.code == 1
    assert "version is 9; the log says 0" in ran.out
    assert len(call("store", "check", "--json").json["problems"]) == 1


def test_keys_are_made_listed_and_taken_back(call: Call, store: Store) -> None:
    assert call("keys", "list").out == "There are no keys.\n"
    made = call("keys", "add", "tablet", "--shop", "barn", "--role", "shop_system", "--json").json
    key = store.verify_key(made["key"])
    assert key is not None
    assert (key.name, key.shop, key.role) == ("tablet", "barn", "shop_system")
    text = call("keys", "add", "office").out.splitlines()[0]
    assert store.verify_key(text) is not None
    listed = call("keys", "list", "--json").json["keys"]
    assert [each["name"] for each in listed] == ["tablet", "office"]
    shown = call("keys", "list").out
    assert made["key"] not in shown
    assert made["prefix"] in shown
    assert call("keys", "revoke", made["prefix"]).code == 0
    assert store.verify_key(made["key"]) is None
    assert "revoked" in call("keys", "list", "--shop", "barn").out
    assert call("keys", "revoke", "nsk_nobody").code == 3
    assert call("keys", "add", "x", "--role", "boss").code == 3


def test_the_lines_of_the_readme_work(
    call: Call, cart: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Backup, check, and the copy checked as a store of its own."""
    monkeypatch.chdir(tmp_path)
    call("bench", cart, "-c", "silent", typed=("quit",))
    block = README.read_text("utf-8").partition("## Jobs that are kept")[2].partition("##")[0]
    lines = re.findall(r"^    (?:NOSTART_STORE=(\S+) )?diagnose (.*)$", block, re.MULTILINE)
    assert len(lines) == 3
    for url, words in lines:
        if url:
            monkeypatch.setenv("NOSTART_STORE", url)
        assert call(*words.split()).code == 0, words
    assert len(call("jobs").out.splitlines()) == 1


def test_a_group_without_a_word_shows_its_commands(call: Call) -> None:
    for group, (_, commands) in GROUPS.items():
        ran = call(group, "--help")
        assert ran.code == 0
        assert all(f"  {word} " in ran.out for word in commands)
