"""Who may: keys, roles, shops that never see another's rows, so many requests a minute.

RFC 6750 for bearer keys, RFC 6585, section 4, for 429.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import pytest
from diagnose.api.app import create_app
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

from diagnose.store.store import Store
from tests.api.priors_files import cart_priors

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from httpx2 import Response

BODY = {"machine": "barn_cart", "complaint": "silent"}
STEPS = {"steps": [{"kind": "finding", "test": "see_nest", "outcome": "found"}]}
PRIORS = cart_priors()
ROLES = ("technician", "shop_system", "analyst")
PUBLIC = {"health", "readiness", "metrics"}

MAY = {
    "advice": set(ROLES),
    "machines": set(ROLES),
    "machine": set(ROLES),
    "open_job": {"technician", "shop_system"},
    "jobs": {"technician", "shop_system"},
    "job": {"technician", "shop_system"},
    "add_steps": {"technician", "shop_system"},
    "job_advice": {"technician", "shop_system"},
    "job_sheet": {"technician", "shop_system"},
    "job_drawing": {"technician", "shop_system"},
    "job_bench": {"technician", "shop_system"},
    "job_test": {"technician", "shop_system"},
    "job_part": {"technician", "shop_system"},
    "machine_card": {"technician", "shop_system"},
    "priors": set(ROLES),
    "adoption": set(ROLES),
    "check_priors": {"analyst"},
    "adopt_priors": {"analyst"},
    "roll_back_priors": {"analyst"},
    "orders": {"shop_system", "analyst"},
    "order_steps": {"shop_system", "analyst"},
}
"""Operation -> roles that may; the README has the same table."""


class Shops:
    """A service that two shops share."""

    def __init__(self, folder: Path, url: str, log: io.StringIO) -> None:
        self.log = log
        self.app = create_app(Settings(machines=folder, store=url), log)
        self.client = TestClient(self.app)
        self.store = Store.open(url)
        self.keys = {
            (shop, role): self.store.add_key(f"{role} of {shop}", shop, role)[0]
            for shop in ("larkfield", "millbrook")
            for role in ROLES
        }

    def ask(self, key: str | None, method: str, path: str, **how: Any) -> Response:
        headers = how.pop("headers", {})
        if key is not None:
            headers = {**headers, "authorization": f"Bearer {key}"}
        return self.client.request(method, path, headers=headers, **how)

    def job(self) -> str:
        """Address of a closed job of the first shop."""
        key = self.keys["larkfield", "technician"]
        job = self.ask(key, "POST", "/v1/jobs", json=BODY).headers["location"]
        steps = {"steps": [*STEPS["steps"], {"kind": "closed", "ended": "given_up"}]}
        done = self.ask(key, "POST", f"{job}/steps", json=steps, headers={"if-match": "*"})
        assert done.status_code == 201
        return str(job)

    def adoption(self) -> int:
        """Number of priors that the first shop has taken."""
        return self.store.adopt_priors("larkfield", "barn_cart", PRIORS, "Ruth").adoption

    def operations(self) -> dict[str, tuple[str, str]]:
        """Id -> method and path of every operation of the document."""
        paths = self.client.get("/openapi.json").json()["paths"]
        return {
            one["operationId"]: (method.upper(), path)
            for path, methods in paths.items()
            for method, one in methods.items()
        }


@pytest.fixture(scope="module")
def shops(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shops]:
    url = f"sqlite:///{tmp_path_factory.mktemp('shops') / 'jobs.sqlite'}"
    made = Shops(folder, url, io.StringIO())
    yield made
    made.store.close()


def how_to(operation: str) -> dict[str, Any]:
    """A body and headers with which an operation is answered, if one may."""
    if operation in ("advice", "open_job"):
        return {"json": BODY}
    if operation == "machine_card":
        return {"params": {"complaint": BODY["complaint"]}}
    if operation in ("check_priors", "adopt_priors", "roll_back_priors"):
        body = {} if operation == "roll_back_priors" else {"text": PRIORS}
        return {"json": body, "headers": {"if-match": "*"}}
    if operation == "add_steps":
        return {"json": {"steps": [{"kind": "reopened"}]}, "headers": {"if-match": "*"}}
    return {}


def address(path: str, job: str, adoption: int = 1) -> str:
    path = path.replace("{machine}", "barn_cart").replace("/v1/jobs/{job}", job)
    path = path.replace("{adoption}", str(adoption))
    return path.replace("{test}", "battery_rest").replace("{part}", "battery")


def test_without_a_key_only_health_is_told(shops: Shops) -> None:
    job = shops.job()
    for operation, (method, path) in shops.operations().items():
        for key in (None, "nsk_000000000000_guess"):
            response = shops.ask(key, method, address(path, job), **how_to(operation))
            if operation in PUBLIC:
                assert response.status_code in (200, 503), operation
            else:
                assert response.status_code == 401, operation
                assert response.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_what_the_table_says(shops: Shops, role: str) -> None:
    key = shops.keys["larkfield", role]
    found = {}
    for operation, (method, path) in shops.operations().items():
        if operation not in PUBLIC:
            place = address(path, shops.job(), shops.adoption())
            told = shops.ask(key, method, place, **how_to(operation))
            assert told.status_code in (200, 201, 403), (operation, told.text)
            found[operation] = told.status_code != 403
    assert found == {operation: role in roles for operation, roles in MAY.items()}


def test_another_shop_s_rows_are_not_there(shops: Shops) -> None:
    """Every operation of the document with a key of another shop: 404, and never 403.

    Where there is nothing of the first shop in an address, there is nothing of it in the answer.
    """
    job, adoption = shops.job(), shops.adoption()
    own = job.rpartition("/")[2]
    for operation, (method, path) in shops.operations().items():
        roles = MAY.get(operation, {"technician"})
        for role in sorted(roles):
            key = shops.keys["millbrook", role]
            told = shops.ask(key, method, address(path, job, adoption), **how_to(operation))
            if "{job}" in path or "{adoption}" in path:
                assert told.status_code == 404, (operation, role, told.text)
                nowhere = address(path, "/v1/jobs/2222222222", 2_000_000)
                never = shops.ask(key, method, nowhere, **how_to(operation))
                assert never.json()["type"] == told.json()["type"]
            else:
                assert own not in told.text, (operation, role)
                assert "Ruth" not in told.text, (operation, role)
    key = shops.keys["larkfield", "technician"]
    assert shops.ask(key, "GET", job).json()["version"] == 2


def test_an_idempotency_key_is_a_shop_s_own(shops: Shops) -> None:
    headers = {"idempotency-key": "the-same-in-both"}
    told = [
        shops.ask(shops.keys[shop, "technician"], "POST", "/v1/jobs", json=BODY, headers=headers)
        for shop in ("larkfield", "millbrook")
    ]
    assert [one.status_code for one in told] == [201, 201]
    assert told[0].json()["job"] != told[1].json()["job"]


def test_a_revoked_key_holds_no_more(shops: Shops) -> None:
    text, key = shops.store.add_key("lost tablet", "larkfield", "technician")
    assert shops.ask(text, "GET", "/v1/jobs").status_code == 200
    shops.store.revoke_key(key.prefix)
    assert shops.ask(text, "GET", "/v1/jobs").status_code == 401


def test_no_key_is_in_the_log(shops: Shops) -> None:
    shops.ask(shops.keys["larkfield", "analyst"], "GET", "/v1/jobs")
    text = shops.log.getvalue()
    assert '"status": 403' in text
    assert not [key for key in shops.keys.values() if key in text]
    assert "Bearer" not in text


def test_a_key_may_ask_so_often_and_no_other_pays_for_it(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    settings = Settings(machines=folder, store=url, requests_per_minute=5)
    client = TestClient(create_app(settings, io.StringIO()))
    store = Store.open(url)
    keys = [store.add_key(name, "larkfield", "technician")[0] for name in ("one", "two")]

    def ask(key: str) -> Response:
        return client.get("/v1/machines", headers={"authorization": f"Bearer {key}"})

    told = [ask(keys[0]) for _ in range(12)]
    counts = [response.status_code for response in told]
    # A minute may begin in between, in which case the first ones count for the one before.
    assert counts.count(429) >= 2
    assert told[counts.index(429)].json()["type"] == "/problems/too-many-requests"
    assert told[counts.index(429)].headers["retry-after"]
    assert ask(keys[1]).status_code == 200
    store.close()


def test_guessing_keys_is_bounded_too(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    settings = Settings(machines=folder, store=url, keys="always", requests_per_minute=5)
    client = TestClient(create_app(settings, io.StringIO()))
    guesses = [
        client.get("/v1/machines", headers={"authorization": f"Bearer nsk_{number:012d}_x"})
        for number in range(12)
    ]
    assert {one.status_code for one in guesses} == {401, 429}


def test_keys_are_asked_for_once_there_is_one(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    app = create_app(Settings(machines=folder, store=url), io.StringIO())
    assert TestClient(app).get("/v1/jobs").status_code == 200
    store = Store.open(url)
    store.add_key("first", "larkfield", "technician")
    store.close()
    later = create_app(Settings(machines=folder, store=url), io.StringIO())
    assert TestClient(later).get("/v1/jobs").status_code == 401
