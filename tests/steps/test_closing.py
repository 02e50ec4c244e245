"""Closing: what the steps tell by themselves, and what is still to be asked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnose.steps import kinds
from diagnose.steps.closing import closing_so_far, likely_causes, still_to_ask
from diagnose.steps.status import KeptStep, Noted
from tests.steps.cart import cart

PART, REPAIR = next((part, part.repairs[0]) for part in cart().parts.values() if part.repairs)
MENDED = kinds.Repaired(part=PART.id, repair=REPAIR.id, shown="runs", minutes=12.0)


def log(*steps: kinds.AnyStep) -> list[KeptStep]:
    return [KeptStep(seq=seq, step=step) for seq, step in enumerate(steps, 1)]


@pytest.mark.parametrize(
    ("steps", "ended"),
    [
        ((), "given_up"),
        ((MENDED,), "runs"),
        ((MENDED, kinds.Undone()), "given_up"),
        ((replace(MENDED, shown="same"),), "given_up"),
        ((replace(MENDED, shown=None), kinds.Tried(shown="runs")), "runs"),
        ((MENDED, replace(MENDED, shown=None)), "runs"),
        ((kinds.HandedOver(),), "handed_over"),
        ((MENDED, kinds.HandedOver()), "handed_over"),
    ],
)
def test_how_a_job_ends_follows_from_its_steps(
    steps: tuple[kinds.AnyStep, ...], ended: str
) -> None:
    assert closing_so_far(log(*steps)).ended == ended


def test_a_machine_that_runs_without_a_repair_had_no_fault_that_was_found() -> None:
    tried = KeptStep(seq=1, step=kinds.Found(test="t", outcome="runs"), noted=Noted(shown="runs"))
    closed = closing_so_far([tried])
    assert closed.ended == "no_fault_found"
    assert [question.asks for question in still_to_ask(closed, [tried])] == [
        ("labour_minutes", "note")
    ]


def test_two_questions_at_most_and_none_where_all_is_known() -> None:
    kept = log(replace(MENDED, minutes=None))
    closed = closing_so_far(kept)
    cause, rest = still_to_ask(closed, kept, cart())
    assert cause.asks == ("cause_part", "cause_mode", "cause_seen")
    assert cause.choices == tuple((PART.id, mode) for mode in REPAIR.fixes)
    assert rest.asks == ("labour_minutes", "note")
    known = replace(closed, cause_part=PART.id, cause_mode=REPAIR.fixes[0], cause_seen=True)
    assert [question.asks for question in still_to_ask(known, kept)] == [rest.asks]
    known = replace(known, labour_minutes=3.0, note="rust")
    assert still_to_ask(known, kept) == ()
    unlisted = replace(known, cause_part="unlisted", cause_mode=None, cause_seen=None)
    assert still_to_ask(unlisted, kept) == ()


def test_minutes_that_were_noted_are_not_asked_for() -> None:
    kept = log(MENDED, replace(MENDED, minutes=3.5), kinds.Undone())
    closed = closing_so_far(kept)
    assert closed.labour_minutes == 12.0
    assert [question.asks for question in still_to_ask(replace(closed, note="x"), kept)] == [
        ("cause_part", "cause_mode", "cause_seen")
    ]


def test_what_was_repaired_last_is_the_likeliest() -> None:
    parts = [part for part in cart().parts.values() if part.repairs][:2]
    steps = [kinds.Repaired(part=part.id, repair=part.repairs[0].id) for part in parts]
    causes = likely_causes(log(*steps), cart())
    assert causes[0][0] == parts[1].id
    assert {part for part, _ in causes} == {part.id for part in parts}
