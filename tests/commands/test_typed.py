"""Lines typed at the bench."""

from __future__ import annotations

import pytest

from diagnose.commands.turn import WORDS, Said, chosen, understand
from diagnose.errors import RequestError, UnknownNameError

OHMS = {"open": "open", "high": "high resistance", "good": "good", "unsteady": "comes and goes"}
LOOK = {"damage_seen": "damage seen", "nothing_seen": "nothing seen"}
TURNS = {"normal": "normal", "slow": "slow", "none": "not at all"}
TESTS = ("see_nest", "battery_rest", "open")

MEASURED = [
    ("", Said("nothing")),
    ("   ", Said("nothing")),
    ("open", Said("result", result="open")),
    ("open seat", Said("open", "seat")),
    ("close seat", Said("close", "seat")),
    ("go", Said("result", result="good")),
    ("12.3", Said("result", result="12.3")),
    ("2", Said("result", result="2")),
    ("85 mV", Said("result", result="85 mV")),
    ("see_nest=found", Said("finding", "see_nest", "found")),
    ("battery_rest = 12.3 V", Said("finding", "battery_rest", "12.3 V")),
    ("undo", Said("undo")),
    ("UNDO", Said("undo")),
    ("why", Said("why")),
    ("list", Said("list")),
    ("?", Said("help")),
    ("q", Said("quit")),
    ("quit", Said("quit")),
    ("skip", Said("skip")),
    ("skip no room for a hand", Said("skip", "no room for a hand")),
    ("do 3", Said("do", "3")),
    ("do see_nest", Said("do", "see_nest")),
    ("gibberish", Said("result", result="gibberish")),
    ("comes and goes", Said("result", result="unsteady")),
    ("see_nest", Said("do", "see_nest")),
    ("battery_rest", Said("do", "battery_rest")),
    ("battery_res", Said("result", result="battery_res")),
]
SEEN = [
    ("1", Said("result", result="damage_seen")),
    ("2", Said("result", result="nothing_seen")),
    ("3", Said("result", result="3")),
    ("nothing", Said("result", result="nothing_seen")),
    ("damage seen", Said("result", result="damage_seen")),
    ("open", Said("open")),
]


@pytest.mark.parametrize(("line", "meant"), MEASURED)
def test_while_a_meter_reading_is_asked_for(line: str, meant: Said) -> None:
    assert understand(line, OHMS, has_unit=True, tests=TESTS) == meant


@pytest.mark.parametrize(("line", "meant"), SEEN)
def test_while_something_to_see_is_asked_for(line: str, meant: Said) -> None:
    assert understand(line, LOOK, has_unit=False) == meant


def test_a_beginning_that_fits_two_outcomes_is_not_guessed() -> None:
    assert understand("no", TURNS, has_unit=False).result == "no"
    assert understand("not", TURNS, has_unit=False).result == "none"


def test_a_number_out_of_the_list_names_its_range() -> None:
    names = [f"test_{number}" for number in range(20)]
    assert chosen("test", "9", names, names[:9]) == "test_8"
    assert chosen("test", "test_15", names, names[:9]) == "test_15"
    for number in ("0", "10", "99"):
        with pytest.raises(RequestError, match="from 1 to 9"):
            chosen("test", number, names, names[:9])
    with pytest.raises(UnknownNameError, match="nearest is 'test_15'"):
        chosen("test", "tst_15", names, names[:9])


def test_every_word_that_help_shows_is_understood() -> None:
    shown = {word.split()[0] for word in WORDS} - {"an", "a", "TEST=RESULT"}
    for word in shown:
        assert understand(f"{word} seat", {}, has_unit=False).kind in {word, "result"}
        assert understand(word, {}, has_unit=False).kind == word
