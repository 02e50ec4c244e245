"""The cart as a file, and commands run in this process."""

from __future__ import annotations

import io
import json
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest

from diagnose.commands.program import run
from tests.commands.carts import put_cart, put_certain_cart

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def errors(self) -> list[str]:
        """Lines on standard error, without those that say what takes a while."""
        return [line for line in self.err.splitlines() if not line.endswith(" ...")]

    @property
    def json(self) -> Any:
        """Standard output as JSON; NaN and infinity are no JSON (RFC 8259, section 6)."""
        return json.loads(self.out, parse_constant=pytest.fail)


@pytest.fixture(scope="session")
def cart(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Path of the barn cart's file."""
    return str(put_cart(tmp_path_factory.mktemp("barn")))


@pytest.fixture(scope="session")
def certain_cart(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Path of the cart whose tests are never written down wrong."""
    return str(put_certain_cart(tmp_path_factory.mktemp("sure")))


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ran]:
    """Run a command line; lines of `typed` come from the keyboard."""

    def calling(*words: str, typed: tuple[str, ...] = ()) -> Ran:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in typed)))
        capsys.readouterr()
        code = run(words)
        left = capsys.readouterr()
        return Ran(code, left.out, left.err)

    return calling
