"""What somebody types to find a job: words of its number, its note, its machine, its fault."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from fastapi import Query
from pydantic import AwareDatetime

from diagnose.errors import DiagnoseError
from diagnose.machine.model import Machine
from diagnose.store.jobs import Filter, Word

from .shelf import Shelf

MOST_WORDS = 8

Status = Annotated[
    str | None,
    Query(pattern="^(open|runs|handed_over|closed)$", description="Only jobs that are so far."),
]
Text = Annotated[str | None, Query(min_length=1, max_length=100)]
Since = Annotated[
    AwareDatetime | None, Query(description="Only jobs that were changed then or later.")
]
Words = Annotated[
    str | None,
    Query(
        min_length=1,
        max_length=100,
        pattern=r"^[^\x00]*$",
        description="Only jobs that have each of these words, up to eight: in the shop's number, "
        "the note, an id, or the title of machine, complaint or part at fault.",
    ),
]


@dataclass(frozen=True, slots=True)
class Asked:
    """Which jobs are asked for."""

    status: Status = None
    shop_reference: Text = None
    machine: Text = None
    since: Since = None
    search: Words = None


def filter_of(shelf: Shelf, asked: Asked) -> Filter:
    """The same as the store looks for it."""
    words = searched(shelf, asked.search)
    return Filter(asked.status, asked.shop_reference, asked.machine, asked.since, words)


def searched(shelf: Shelf, text: str | None) -> tuple[Word, ...]:
    """The words of a text, each with the ids of what is called so."""
    if text is None:
        return ()
    machines = tuple(_machines(shelf))
    return tuple(_word(machines, word.casefold()) for word in text.split()[:MOST_WORDS])


def _machines(shelf: Shelf) -> Iterator[Machine]:
    for name in shelf.names():
        try:
            yield shelf.machine(name)
        except DiagnoseError:  # one that cannot be used has no titles
            continue


def _word(machines: tuple[Machine, ...], text: str) -> Word:
    complaints = (own for machine in machines for own in machine.complaints.values())
    parts = (own for machine in machines for own in machine.parts.values())
    return Word(
        text,
        machines=frozenset(own.id for own in machines if text in own.title.casefold()),
        complaints=frozenset(own.id for own in complaints if text in own.title.casefold()),
        parts=frozenset(own.id for own in parts if text in own.title.casefold()),
    )
