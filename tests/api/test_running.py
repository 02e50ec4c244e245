"""The unit and the container file of the README, as far as they can be read without running them.

What was tried by hand besides stands in DEVELOPERS.md.
"""

from __future__ import annotations

import configparser
import inspect
import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from diagnose.api.settings import PREFIX, Settings

from diagnose.cache import DIRECTORY_VARIABLE
from diagnose.commands.serve import serve

if TYPE_CHECKING:
    from collections.abc import Iterator

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")

MANUAL = {
    "Unit": {"Description", "After"},
    "Service": {
        *("ExecStart", "Restart", "TimeoutStopSec"),  # systemd.service(5)
        *("User", "UMask", "StateDirectory", "CacheDirectory", "Environment", "NoNewPrivileges"),
        *("CapabilityBoundingSet", "ProtectSystem", "ProtectHome", "PrivateTmp", "PrivateDevices"),
        "RestrictAddressFamilies",  # systemd.exec(5), as the line above
    },
    "Install": {"WantedBy"},  # systemd.unit(5)
}
"""Directives by section, as the manual pages of version 252 have them."""


def block(before: str) -> str:
    """The lines that are set in behind some words of the README."""
    rest = README.partition(before)[2]
    lines = re.search(r"\n\n((?:(?:    .*)?\n)+)", rest)
    assert lines is not None, before
    return re.sub(r"(?m)^    ", "", lines[1])


def unit() -> dict[str, list[tuple[str, str]]]:
    """Section -> its directives in order; one may stand there several times."""
    told: dict[str, list[tuple[str, str]]] = {}
    section = ""
    for line in block("\nThe unit:").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line:
            name, _, value = line.partition("=")
            told.setdefault(section, []).append((name, value))
    return told


def environment() -> dict[str, str]:
    pairs = [value for name, value in unit()["Service"] if name == "Environment"]
    return dict(pair.split("=", 1) for pair in pairs)


def test_every_directive_of_the_unit_is_in_the_manual() -> None:
    sections = unit()
    assert set(sections) == set(MANUAL)
    for section, directives in sections.items():
        assert {name for name, _ in directives} == MANUAL[section]
    parser = configparser.RawConfigParser(strict=False)
    parser.read_string(block("\nThe unit:"))  # the form of systemd.syntax(7)
    assert int(parser["Service"]["TimeoutStopSec"]) > Settings().graceful_seconds


def test_systemd_finds_nothing_wrong_where_it_is_there(tmp_path: Path) -> None:
    """`systemd-analyze verify`; elsewhere the test before says what there is to say."""
    text = block("\nThe unit:").replace("/opt/nostart/bin/diagnose", sys.executable)
    file = tmp_path / "nostart.service"
    file.write_text(text.replace("User=nostart", "User=root"), "utf-8")
    checker = shutil.which("systemd-analyze") or "true"
    done = subprocess.run([checker, "verify", file], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def commands() -> Iterator[list[str]]:
    """The commands that unit and container run."""
    service = dict(unit()["Service"])
    yield shlex.split(service["ExecStart"])
    yield json.loads(block("As a container,").partition("CMD ")[2].splitlines()[0])


def test_what_is_run_is_a_command_of_the_program() -> None:
    options = set(inspect.signature(serve).parameters)
    for words in commands():
        assert Path(words[0]).name == "diagnose"
        assert words[1] == "serve"
        assert {word[2:] for word in words[2:] if word.startswith("--")} <= options


def test_what_is_set_can_be_set_and_may_be_written() -> None:
    known = {DIRECTORY_VARIABLE, *(f"{PREFIX}{name}".upper() for name in Settings.model_fields)}
    service = dict(unit()["Service"])
    writable = f"/var/lib/{service['StateDirectory']}/", f"/var/cache/{service['CacheDirectory']}"
    assert set(environment()) <= known
    for value in environment().values():
        assert value.removeprefix("sqlite:///").startswith(writable)
    container = block("As a container,")
    (volume,) = re.findall(r"^VOLUME (.*)$", container, re.MULTILINE)
    for pair in re.findall(r"^ENV (.*)$", container, re.MULTILINE)[0].split():
        name, _, value = pair.partition("=")
        assert name in known
        assert value.removeprefix("sqlite:///").startswith(f"{volume}/")
    assert container.index("\nUSER ") < container.index("\nCMD ")


@pytest.mark.parametrize("words", ["useradd", "install -d -o nostart", "keys add office"])
def test_the_way_to_the_first_start_is_told(words: str) -> None:
    """Another address than this computer's is refused until there is a key."""
    told = README.partition("On a machine with systemd")[2].partition("\nThe unit:\n")[0]
    assert words in told
