"""Every error: its documented exit code, one line on standard error, nothing on standard output."""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING

import pytest

from diagnose import errors
from diagnose.commands.program import COMMANDS, EXITS, exit_code
from tests.commands.carts import CLASH

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.commands.conftest import Ran

SILENT = ("advise", "CART", "--complaint", "silent")
REFUSED = [
    (("advise", "barn_crt", "-c", "silent"), 3, "machine"),
    (("advise", "CART", "-c", "silnt"), 3, "silent"),
    ((*SILENT, "-f", "see_nst=found"), 3, "see_nest"),
    ((*SILENT, "-f", "see_nest=fund"), 3, "found"),
    ((*SILENT, "-t", "multimetre"), 3, "multimeter"),
    ((*SILENT, "-o", "seet"), 3, "seat"),
    ((*SILENT, "-f", "battery_rest=12.6A"), 4, "V"),
    ((*SILENT, "-f", "battery_rest=120V"), 4, "range"),
    ((*SILENT, "-f", "battery_rest=1e999V"), 4, "range"),
    ((*SILENT, "-f", "see_nest=3"), 4, "outcome"),
    ((*SILENT, "-f", "see_nest"), 2, "TEST=OUTCOME"),
    ((*SILENT, "-f", "see_nest=found", "-f", "see_nest=found"), 1, "see_nest"),
    (("advise", "CART"), 2, "--complaint"),
    (("advise",), 2, "MACHINE"),
    ((*SILENT, "--frob"), 2, "--frob"),
    ((*SILENT, "--top", "none"), 2, "--top"),
    (("frob",), 2, "frob"),
    (("check",), 2, "FILE"),
    (("check", "nowhere.yaml"), 6, "nowhere.yaml:0:0"),
    (("advise", "nowhere.yaml", "-c", "silent"), 6, "nowhere.yaml"),
    (("network", "CART"), 2, "--bif"),
    (("draw", "CART", "--svg", "/nowhere/at/all.svg"), 1, "/nowhere/at/all.svg"),
    (("serve", "--port", "70000"), 2, "--port"),
]


@pytest.mark.parametrize(("words", "code", "said"), REFUSED)
@pytest.mark.parametrize("as_json", [False, True])
def test_one_line_and_the_documented_code(
    call: Callable[..., Ran], cart: str, words: tuple[str, ...], code: int, said: str, as_json: bool
) -> None:
    given = [cart if word == "CART" else word for word in words]
    ran = call(*given, *(["--json"] if as_json else []))
    assert ran.code == code
    (line,) = ran.errors
    assert said in line
    if words[0] != "check" or not as_json:
        assert ran.out == ""


def test_findings_that_clash(call: Callable[..., Ran], certain_cart: str) -> None:
    words = ["advise", certain_cart, "-c", "silent", "-f", "battery_rest=charged"]
    for test, outcome in CLASH.items():
        words += ["-f", f"{test}={outcome}"]
    ran = call(*words, "--json")
    assert (ran.code, ran.out) == (5, "")
    (line,) = ran.errors
    assert "coil_volts=full" in line
    assert "trigger_ohms=open" in line
    assert "battery_rest" not in line


def test_a_circuit_that_cannot_be_solved(
    call: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch, cart: str
) -> None:
    def refuse(*_: object) -> None:
        raise errors.CircuitError("the wires main and spare form a loop", ["main", "spare"])

    monkeypatch.setattr("diagnose.circuit.rigs.make_circuit", refuse)
    ran = call("check", cart)
    assert (ran.code, ran.err) == (7, "diagnose: the wires main and spare form a loop\n")


def test_every_error_has_a_code_that_help_explains(call: Callable[..., Ran]) -> None:
    kinds = [
        kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, errors.DiagnoseError)
    ]
    assert len(kinds) >= 10
    shown = call("--help").out
    codes = {exit_code(kind.__new__(kind)) for kind in kinds}
    assert codes == {1, 3, 4, 5, 6, 7}
    for code, (meaning, _) in EXITS.items():
        assert re.search(rf"^ *{code}  {meaning}$", shown, re.MULTILINE)


@pytest.mark.parametrize(
    ("raised", "code", "said"),
    [
        (KeyboardInterrupt(), 130, ""),
        (PermissionError(errno.EACCES, os.strerror(errno.EACCES), "a.txt"), 1, "a.txt: Permission"),
        (ZeroDivisionError("two\nlines"), 1, "ZeroDivisionError: two lines"),
    ],
)
def test_nothing_else_escapes_either(
    call: Callable[..., Ran],
    monkeypatch: pytest.MonkeyPatch,
    cart: str,
    raised: BaseException,
    code: int,
    said: str,
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise raised

    monkeypatch.setattr("diagnose.commands.advise.open_job", fail)
    ran = call("advise", cart, "-c", "silent")
    assert ran.code == code
    assert said in ran.err
    assert len(ran.err.splitlines()) == (1 if said else 0)


def test_control_codes_in_a_name_do_not_reach_the_terminal(call: Callable[..., Ran]) -> None:
    assert "\x1b" not in call("advise", "cart\x1b[31m", "-c", "silent").err


def test_a_sheet_that_cannot_be_written_is_still_shown(
    call: Callable[..., Ran], cart: str, tmp_path: Path
) -> None:
    ran = call("bench", cart, "-c", "silent", "--sheet", str(tmp_path), typed=("quit",))
    assert ran.code == 1
    assert "FINDING SHEET" in ran.out
    assert str(tmp_path) in ran.err


def test_all_commands_are_listed(call: Callable[..., Ran]) -> None:
    ran = call()
    assert ran.code == 0
    for command in COMMANDS:
        assert re.search(rf"^  {command.__name__} ", ran.out, re.MULTILINE)
