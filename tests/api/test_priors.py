"""Priors over HTTP: looked at, taken, gone back from; new jobs have them, open ones keep theirs."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from diagnose.machine.load import load_machine
from diagnose.machine.overlay_file import parse_overlay
from tests.api.priors_files import JUDGED, cart_priors, learnt_priors
from tests.commands.carts import CART

if TYPE_CHECKING:
    from pathlib import Path

PLACE = "/v1/machines/barn_cart/priors"
BODY = {"machine": "barn_cart", "complaint": "silent"}
ANY = {"if-match": "*"}


@pytest.fixture
def caller(folder: Path, tmp_path: Path) -> TestClient:
    """Who may do all, over a store of his own."""
    settings = Settings(machines=folder, store=f"sqlite:///{tmp_path / 'jobs.sqlite'}")
    return TestClient(create_app(settings, io.StringIO()))


def flat(caller: TestClient, job: str) -> float:
    """Chance that the battery is flat."""
    suspects = caller.get(f"{job}/advice").json()["suspects"]
    found = [s for s in suspects if (s["part"], s["mode"]) == ("battery", "flat")]
    return float(found[0]["probability"])


def opened(caller: TestClient) -> str:
    return str(caller.post("/v1/jobs", json=BODY).headers["location"])


def adopt(caller: TestClient, text: str, **headers: str) -> Any:
    sent = {"if-match": "*"} | {name.replace("_", "-"): held for name, held in headers.items()}
    return caller.post(PLACE, json={"text": text, "by": "Ruth"}, headers=sent)


def test_new_jobs_have_what_was_taken_and_open_ones_keep_theirs(caller: TestClient) -> None:
    before = opened(caller)
    as_shipped = flat(caller, before)
    taken = adopt(caller, cart_priors(400.0))
    assert taken.status_code == 201
    after = opened(caller)
    assert flat(caller, after) > as_shipped
    assert flat(caller, before) == as_shipped
    version = caller.get(f"{after}/advice").json()["priors_version"]
    assert version == taken.json()["priors_version"]
    back = caller.post(f"{PLACE}/roll-back", json={"by": "Ada"}, headers=ANY)
    assert back.json()["in_use"] is None
    assert flat(caller, opened(caller)) == as_shipped
    assert flat(caller, after) > as_shipped
    (gone,) = caller.get(PLACE).json()["adoptions"]
    assert (gone["adopted_by"], gone["rolled_back_by"], gone["holds"]) == ("Ruth", "Ada", False)


def test_figures_stand_beside_those_of_the_file(caller: TestClient) -> None:
    machine = load_machine(str(CART))
    text = learnt_priors(machine)
    told = caller.post(f"{PLACE}/check", json={"text": text}).json()
    overlay = parse_overlay(text, machine)
    assert (told["fits"], told["orders"]) == (True, 512)
    assert told["priors_version"] == overlay.version
    rates = {(rate["part"], rate["mode"]): rate for rate in told["rates"] if rate["kind"] == "mode"}
    assert set(rates) == set(overlay.rates)
    for (part, mode), rate in overlay.rates.items():
        shown = rates[part, mode]
        assert shown["shipped"] == machine.parts[part].modes[mode].per_1000_jobs
        limits = (shown["refitted"], shown["low"], shown["high"])
        assert limits == (rate.per_1000_jobs, rate.low, rate.high)
        assert shown["known"] == (rate.learnt >= 0.5)
    assert {rate["kind"] for rate in told["rates"]} == {"mode", "cause", "not listed"}
    kinds = {figure["kind"] for figure in told["figures"]}
    assert kinds == {"words", "slip", "test", "new_part"}
    assert told["judged"]["reason"] == JUDGED.reason
    assert [own["cases"] for own in told["judged"]["calibration"]] == [160, 151, 122, 70, 52]
    assert caller.get(PLACE).json()["adoptions"] == []  # it was only looked at


def test_all_that_is_wrong_in_a_file_is_told(caller: TestClient) -> None:
    text = cart_priors().replace("orders: 0", "order: 0").replace("learnt: 0.7", "learnt: 7")
    for place in (PLACE, f"{PLACE}/check"):
        told = caller.post(place, json={"text": text}, headers=ANY)
        assert (told.status_code, told.json()["type"]) == (422, "/problems/priors-unusable")
        first, second = told.json()["problems"]
        assert (first["rule"], second["rule"]) == ("unknown_key", "out_of_range")
        assert "nearest is `orders`" in first["message"]
        assert first["line"] < second["line"]
    assert caller.get(PLACE).json()["adoptions"] == []


def test_priors_of_another_machine_file_are_not_taken(caller: TestClient) -> None:
    text = cart_priors().replace('machine_version: "', 'machine_version: "0.')
    told = adopt(caller, text)
    assert (told.status_code, told.json()["type"]) == (422, "/problems/priors-mismatch")


def test_priors_are_bounded_in_bytes(caller: TestClient) -> None:
    told = adopt(caller, "#" * 70_000)
    assert (told.status_code, told.json()["type"]) == (413, "/problems/body-too-long")


def test_the_largest_machine_has_room_for_all_its_rates() -> None:
    """As YAML in JSON; whatever is learnt of a machine can be sent with the limit as it is."""
    texts = [learnt_priors(load_machine(name)) for name in ("utility_vehicle", "work_boat")]
    assert max(len(text.replace("\n", "\\n")) for text in texts) < 60_000


def test_whoever_read_others_than_hold_writes_nothing(caller: TestClient) -> None:
    """RFC 9110, section 13.1.1, and RFC 6585, section 3, for 428."""
    before = caller.get(PLACE).headers["etag"]
    assert before.startswith('"0-')
    assert caller.get(PLACE, headers={"if-none-match": before}).status_code == 304
    bare = caller.post(PLACE, json={"text": cart_priors()})
    assert (bare.status_code, bare.json()["type"]) == (428, "/problems/no-condition")
    first = adopt(caller, cart_priors(), if_match=before)
    number = first.json()["adoption"]["adoption"]
    assert first.headers["etag"] == f'"{number}"'
    now = caller.get(PLACE, headers={"if-none-match": before})
    assert now.headers["etag"].startswith(f'"{number}-')
    again = adopt(caller, cart_priors(50.0), if_match='"0"')
    assert (again.status_code, again.json()["version"]) == (412, number)
    back = caller.post(f"{PLACE}/roll-back", json={}, headers={"if-match": '"0"'})
    assert (back.status_code, back.json()["type"]) == (412, "/problems/other-priors")
    assert len(caller.get(PLACE).json()["adoptions"]) == 1


def test_a_request_that_comes_twice_takes_once(caller: TestClient) -> None:
    told = [adopt(caller, cart_priors(), idempotency_key="once") for _ in range(2)]
    assert told[0].json() == told[1].json()
    assert len(caller.get(PLACE).json()["adoptions"]) == 1
    backs = [
        caller.post(f"{PLACE}/roll-back", json={}, headers=ANY | {"idempotency-key": "back"})
        for _ in range(2)
    ]
    assert [back.status_code for back in backs] == [200, 200]
    none_left = caller.post(f"{PLACE}/roll-back", json={}, headers=ANY)
    assert (none_left.status_code, none_left.json()["type"]) == (404, "/problems/no-priors")


def test_earlier_priors_can_still_be_looked_at(caller: TestClient) -> None:
    numbers = [
        adopt(caller, cart_priors(rate)).json()["adoption"]["adoption"] for rate in (40.0, 50.0)
    ]
    told = [caller.get(f"{PLACE}/{number}").json() for number in numbers]
    assert [one["rates"][0]["refitted"] for one in told] == [40.0, 50.0]
    assert [one["adoption"]["holds"] for one in told] == [False, True]
    assert [one["adoption"] for one in caller.get(PLACE).json()["adoptions"]] == numbers[::-1]


def test_priors_that_no_longer_fit_say_so(folder: Path, tmp_path: Path) -> None:
    """The machine's file was edited after they were taken."""
    file = tmp_path / "barn_cart" / "machine.yaml"
    file.parent.mkdir()
    text = (folder / "barn_cart" / "machine.yaml").read_text("utf-8")
    file.write_text(text, "utf-8")
    settings = Settings(machines=tmp_path, store=f"sqlite:///{tmp_path / 'jobs.sqlite'}")
    caller = TestClient(create_app(settings, io.StringIO()))
    assert adopt(caller, cart_priors()).status_code == 201
    file.write_text(f"{text}\n# another hand\n", "utf-8")
    told = caller.get(PLACE).json()["in_use"]
    assert (told["fits"], told["rates"]) == (False, [])
    assert "diagnose refit" in told["why_not"]
