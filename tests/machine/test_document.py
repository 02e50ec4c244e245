"""YAML 1.2 as the machine files use it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.machine.document import read_document


def test_core_schema_of_the_specification() -> None:
    # YAML 1.2.2, section 10.3.2, example 10.9 (values from memory of the specification)
    text = (
        "A null: null\n"
        "Also a null: # Empty\n"
        'Not a null: ""\n'
        "Booleans: [ true, True, false, FALSE ]\n"
        "Integers: [ 0, 0o7, 0x3A, -19 ]\n"
        "Floats: [ 0., -0.0, .5, +12e03, -2E+05 ]\n"
        "Also floats: [ .inf, -.Inf, +.INF ]\n"
    )
    document = read_document(text)
    assert document.problems == ()
    assert document.data == {
        "A null": None,
        "Also a null": None,
        "Not a null": "",
        "Booleans": [True, True, False, False],
        "Integers": [0, 7, 58, -19],
        "Floats": [0.0, -0.0, 0.5, 12000.0, -200000.0],
        "Also floats": [math.inf, -math.inf, math.inf],
    }
    assert all(type(n) is int for n in document.data["Integers"])
    assert all(type(n) is float for n in document.data["Floats"])


@pytest.mark.parametrize(
    "text",
    # all of these are something else than text in YAML 1.1
    ["no", "yes", "on", "off", "y", "n", "1:30", "190:20:30", "1_000", "2026-01-02", "0b11", "<<"],
)
def test_what_was_special_in_yaml_1_1_is_text(text: str) -> None:
    assert read_document(f"a: {text}\n{text}: 1").data == {"a": text, text: 1}


@pytest.mark.parametrize(
    ("text", "value"),
    [("1e-3", 0.001), ("017", 17), ("12e3", 12000.0), ("1.", 1.0), ("+5", 5), ("null", None)],
)
def test_numbers_of_yaml_1_2(text: str, value: object) -> None:
    found = read_document(f"a: {text}").data["a"]
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("text", ['"5"', "'5'", "!!str 5", '"true"', "|-\n  5"])
def test_quotes_make_text(text: str) -> None:
    assert isinstance(read_document(f"a: {text}").data["a"], str)


def test_places_of_keys_and_values() -> None:
    document = read_document("a:\n  b: [1, {c: 2}]\n  'd e': >\n    long\n")
    assert document.key_place(("a", "b")) == (2, 3)
    assert document.value_place(("a", "b")) == (2, 6)
    assert document.value_place(("a", "b", 0)) == (2, 7)
    assert document.key_place(("a", "b", 1, "c")) == (2, 11)
    assert document.value_place(("a", "b", 1, "c")) == (2, 14)
    assert document.key_place(("a", "d e")) == (3, 3)
    # a value that is not there is told at the nearest key around it
    assert document.value_place(("a", "b", 1, "x", "y")) == (2, 10)


def test_both_of_two_equal_keys_are_placed_and_the_first_one_holds() -> None:
    document = read_document("a: 1\nb: {x: 1, x: {x: 2}}\na: [3]\n")
    assert document.data == {"a": 1, "b": {"x": 1}}
    assert [(p.line, p.column, p.rule) for p in document.problems] == [
        (2, 11, "duplicate_key"),
        (3, 1, "duplicate_key"),
    ]


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", (1, 1)),
        ("# nothing\n", (1, 1)),
        ("a: [1", (1, 6)),
        ("a: 1\n--- \nb: 2\n", (2, 1)),
        ("a: 1\nb: @c", (2, 4)),
        ("a: 1\nb: \x07", (2, 4)),
        ("[" * 5000, (1, 42)),
        ("a: " + "{a: " * 5000, (1, 3 + 4 * 40 + 1)),
    ],
)
def test_unreadable_text_is_one_placed_problem(text: str, place: tuple[int, int]) -> None:
    document = read_document(text)
    assert document.data is None
    assert [(p.line, p.column, p.rule) for p in document.problems] == [(*place, "yaml_syntax")]


@pytest.mark.parametrize("text", ["a: &x 1\nb: *x", "&x [*x]", "a: &x {b: *x}"])
def test_aliases_are_refused_not_followed(text: str) -> None:
    assert [p.rule for p in read_document(text).problems] == ["yaml_alias"]


def test_a_number_with_thousands_of_digits_is_no_trap() -> None:
    assert read_document("a: " + "9" * 10_000).data == {"a": math.inf}


@given(st.text(alphabet="ab:{}[]-?!&*|>'\"#%@,\n\t 019._\x00\ufeff\u2028", max_size=40))
@settings(deadline=None, max_examples=300)
def test_no_text_makes_the_reader_fail(text: str) -> None:
    document = read_document(text)
    assert document.data is None or document.values
    assert all(p.line >= 1 and p.column >= 0 for p in document.problems if p.line)
