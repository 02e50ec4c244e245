"""From an empty store to a closed order, over a socket: the script, and the page of the README."""

from __future__ import annotations

import json
import re
import shlex
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING

from tests.api.shop_system import work
from tests.api.test_serve import get, served

if TYPE_CHECKING:
    from collections.abc import Iterator

README = Path(__file__).parents[2] / "README.md"


def test_the_script_of_a_shop_system(folder: Path, tmp_path: Path) -> None:
    environment = {
        "NOSTART_MACHINES": str(folder),
        "NOSTART_STORE": f"sqlite:///{tmp_path / 'jobs.sqlite'}",
    }
    with served(["--workers", "2"], environment=environment) as (url, _):
        assert get(f"{url}/healthz")[0] == 200
        (order,) = work(url, "barn_cart", "silent")
    assert order["shop_reference"] == "R-2048"
    assert order["closed_at"] > order["opened_at"]
    assert order["ended"] in {"runs", "given_up", "no_fault_found"}
    assert order["labour_minutes"] == 30


def pages() -> Iterator[list[str]]:
    """The words of every `curl` of the page on jobs."""
    page = README.read_text("utf-8").partition("### Jobs, with curl")[2].partition("\n### ")[0]
    blocks = re.findall(r"(?:^    .*\n)+", page, re.MULTILINE)
    for command in re.findall(r"curl (?:\\\n|'[^']*'|[^'\n])*", "".join(blocks)):
        yield shlex.split(command.replace("\\\n", " "))


def curl(words: list[str], url: str, job: str) -> tuple[int, dict[str, str], bytes]:
    """What `curl` would do with these words; only what the page uses of it."""
    address, body, headers = "", None, {}
    rest = iter(words[1:])
    for word in rest:
        if word == "-H":
            name, _, value = next(rest).partition(": ")
            headers[name] = value
        elif word == "-d":
            body = next(rest).encode()
        elif word == "-o":
            next(rest)
        elif not word.startswith("-"):
            address = word.replace("localhost:8000", url).replace("$JOB", job)
    request = urllib.request.Request(address, body, headers)  # noqa: S310
    try:
        response = urllib.request.urlopen(request, timeout=120)  # noqa: S310
    except urllib.error.HTTPError as error:
        response = error
    with response:
        told = {name.lower(): value for name, value in response.headers.items()}
        return response.status, told, response.read()


def test_the_page_with_curl(tmp_path: Path) -> None:
    environment = {"NOSTART_STORE": f"sqlite:///{tmp_path / 'jobs.sqlite'}"}
    with served(environment=environment) as (url, _):
        assert get(f"{url}/healthz")[0] == 200
        commands, job, tag = list(pages()), "", ""
        assert len(commands) >= 6
        for words in commands:
            status, headers, body = curl(words, url, job)
            assert status in ((304,) if "if-none-match" in str(words) else (200, 201)), words
            if "location" in headers:
                job = headers["location"].rpartition("/")[2]
            tag = headers.get("etag", tag)
        (order,) = [json.loads(line) for line in body.splitlines()]
    assert order["order_id"] == job
    assert order["cause_part"]
