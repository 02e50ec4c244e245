"""The files of the page: whose they are, how they are served, what they weigh."""

from __future__ import annotations

import gzip
import hashlib
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from diagnose.api.app import create_app
from diagnose.api.page import FOLDER, POLICY, page_files
from diagnose.api.settings import Settings
from starlette.testclient import TestClient

if TYPE_CHECKING:
    from collections.abc import Iterator

VENDORED = (FOLDER / "vendor", Path(__file__).parent / "axe")
MOST_BYTES = 60_000
"""All files of the page, compressed one by one; with a job's answers they stay below 100 kB."""


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    empty = tmp_path_factory.mktemp("no_machines")
    with TestClient(create_app(Settings(machines=empty))) as opened:
        yield opened


@pytest.mark.parametrize("folder", VENDORED, ids=lambda folder: folder.name)
def test_files_of_others_are_as_their_packages_have_them(folder: Path) -> None:
    """Hashes of the files in the packages preact, htm and axe-core, as they were fetched."""
    lines = (folder / "HASHES").read_text("utf-8").splitlines()
    told = [line.split() for line in lines if not line.startswith("#")]
    assert {name for _, name, *_ in told} == {p.name for p in folder.iterdir()} - {"HASHES"}
    for known, name, *_ in told:
        body = (folder / name).read_bytes()
        if name == "hooks.mjs":
            body = body.replace(b'from"./preact.mjs"', b'from"preact"')
        assert hashlib.sha256(body).hexdigest() == known, name


def test_the_shell_has_nothing_inline_and_nothing_from_elsewhere(client: TestClient) -> None:
    answer = client.get("/")
    assert answer.headers["content-type"].startswith("text/html")
    assert answer.headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY
    assert "<style" not in answer.text
    assert re.search(r"\son\w+=|\sstyle=", answer.text) is None
    scripts = re.findall(r"<script([^>]*)>(.*?)</script>", answer.text, re.DOTALL)
    assert [(' src="/page/' in given, inside) for given, inside in scripts] == [(True, "")] * 2
    assert re.search(r"(https?:)?//", answer.text.replace("<!DOCTYPE html>", "")) is None


def test_every_file_is_served_with_its_type_and_kept_for_good(client: TestClient) -> None:
    """A module is text/javascript (RFC 9239); anything else a browser refuses to run."""
    files = page_files()
    for name, body in files.bodies.items():
        answer = client.get(f"/page/{files.version}/{name}")
        assert answer.content == body
        kind = answer.headers["content-type"]
        assert kind.startswith(
            {".mjs": "text/javascript", ".css": "text/css"}.get(name[-4:], "image/")
        )
        assert "immutable" in answer.headers["cache-control"]
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "path",
    [
        "/page/0000000000000000/main.mjs",
        "/page/{version}/shell.html",
        "/page/{version}/vendor/HASHES",
        "/page/{version}/../page.py",
        "/page/{version}/%2e%2e/page.py",
        "/page/{version}/none.mjs",
    ],
)
def test_nothing_else_is_served(client: TestClient, path: str) -> None:
    answer = client.get(path.format(version=page_files().version))
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"


def test_the_page_stands_in_no_description_of_the_service(client: TestClient) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    assert not [path for path in paths if path == "/" or path.startswith("/page")]


def test_the_files_together_are_small() -> None:
    files = page_files()
    bodies = [*files.bodies.values(), files.shell]
    assert sum(len(gzip.compress(body, 5)) for body in bodies) < MOST_BYTES


def test_all_words_are_in_the_catalogue() -> None:
    """Every name that a view says is there, and every name there is said."""
    catalogue = (FOLDER / "words.mjs").read_text("utf-8")
    inside = catalogue[catalogue.index("en: {") : catalogue.index("\n};")]
    known = set(re.findall(r"^\s+(\w+):", inside, re.MULTILINE)) - {"en"}
    code = "".join(p.read_text("utf-8") for p in FOLDER.glob("*.mjs")).replace(inside, "")
    said = set(re.findall(r'say\(\s*"(\w+)"', code))
    assert said <= known
    spoken = set(re.findall(r'["`](\w+)["`]', code))
    made = re.findall(r"say\(`(\w+)_\$", code)
    unsaid = {name for name in known - spoken if not name.startswith(tuple(f"{m}_" for m in made))}
    assert unsaid == {"tip", "clip"}  # ends of a probe, said by their ids
