"""Steps and openings as plain dictionaries, fit for JSON, and back; errors name the place."""

from __future__ import annotations

import math
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast

from diagnose.errors import RequestError, unknown_words
from diagnose.steps.kinds import ENDINGS, KINDS
from diagnose.steps.opening import Opening

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from diagnose.steps.kinds import AnyStep

MOST_NAME = 200
"""Characters of an id, of a name or of the shop's own number."""

MOST_NOTE = 2_000
"""Characters of a note."""

MOST_NAMES = 100
"""Tools or areas named at once."""

MOST_MINUTES = 100_000.0
MOST_READING = 1e12


def step_to_dict(step: AnyStep) -> dict[str, Any]:
    """The step with its kind; what is empty or as usual is left out."""
    return {"kind": step.kind, **_plain(step)}


def opening_to_dict(opening: Opening) -> dict[str, Any]:
    """The opening; what is empty or as usual is left out."""
    return _plain(opening)


def _plain(record: Any) -> dict[str, Any]:
    told = {}
    for item in fields(record):
        value = getattr(record, item.name)
        if value is None or value == item.default:
            continue
        if isinstance(value, datetime):
            value = value.astimezone(UTC).isoformat() if value.tzinfo else value.isoformat()
        told[item.name] = list(value) if isinstance(value, tuple) else value
    return told


def step_from_dict(content: Any, place: str = "") -> AnyStep:
    """The step that a dictionary tells.

    Args:
        content: as `step_to_dict` gives it.
        place: where it stood, for errors: `steps[3]`.

    Raises:
        RequestError: no such kind, a field it does not have, one that is missing or cannot be.
    """
    if not isinstance(content, dict):
        raise RequestError("expected an object with a kind", place)
    kind = content.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        raise RequestError(unknown_words("kind", kind, list(KINDS)), _at(place, "kind"))
    rest = {name: value for name, value in content.items() if name != "kind"}
    step = KINDS[kind](**_read(KINDS[kind], rest, place))
    if kind in {"finding", "looked_again"}:
        _check_result(step, place)
    return step


def _check_result(step: Any, place: str) -> None:
    """A finding has an outcome or a reading, and a unit only beside a reading."""
    if step.outcome is None and step.reading is None:
        raise RequestError("expected an outcome or a reading", _at(place, "outcome"))
    if step.unit is not None and step.reading is None:
        raise RequestError("expected no unit where there is no reading", _at(place, "unit"))


def steps_from_dicts(contents: Any, place: str = "steps") -> tuple[AnyStep, ...]:
    """Several steps; the place of each is `steps[0]`, `steps[1]` and so on.

    Raises:
        RequestError: as `step_from_dict`, or no list.
    """
    if not isinstance(contents, list):
        raise RequestError("expected a list", place)
    return tuple(
        step_from_dict(content, f"{place}[{number}]") for number, content in enumerate(contents)
    )


def opening_from_dict(content: Any, place: str = "") -> Opening:
    """The opening that a dictionary tells.

    Raises:
        RequestError: a field it does not have, one that is missing or cannot be.
    """
    if not isinstance(content, dict):
        raise RequestError("expected an object", place)
    return Opening(**_read(Opening, content, place))


def checked_step(step: AnyStep, place: str = "") -> AnyStep:
    """The step, if it would pass as a dictionary; times are brought to UTC.

    Raises:
        RequestError: as `step_from_dict`.
    """
    return step_from_dict(step_to_dict(step), place)


def checked_opening(opening: Opening, place: str = "") -> Opening:
    """The same for an opening."""
    return opening_from_dict(opening_to_dict(opening), place)


def _read(made: type[Any], content: Mapping[str, Any], place: str) -> dict[str, Any]:
    """The fields of a record, each read as its name demands."""
    known = {item.name: item for item in fields(made)}
    for name in content:
        if name not in known:
            words = unknown_words("field", name, list(known))
            raise RequestError(words, _at(place, str(name)[:MOST_NAME]))
    given = {name: value for name, value in content.items() if value is not None}
    for name, item in known.items():
        if name not in given and item.default is MISSING:
            raise RequestError("is missing", _at(place, name))
    return {name: READERS[name](value, _at(place, name)) for name, value in given.items()}


def _at(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name


def _name(value: Any, place: str) -> str:
    return _text(value, place, 1, MOST_NAME)


def _who(value: Any, place: str) -> str:
    return _text(value, place, 0, MOST_NAME)


def _note(value: Any, place: str) -> str:
    return _text(value, place, 0, MOST_NOTE)


def _text(value: Any, place: str, least: int, most: int) -> str:
    if not isinstance(value, str):
        raise RequestError("expected a text", place)
    if not least <= len(value) <= most:
        words = f"has {len(value):,} characters; expected {least} to {most:,}"
        raise RequestError(words, place)
    if "\0" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise RequestError("has characters that no text has", place)
    return value


def _names(value: Any, place: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise RequestError("expected a list of names", place)
    if len(value) > MOST_NAMES:
        raise RequestError(f"has {len(value):,} names; expected at most {MOST_NAMES}", place)
    return tuple(_name(name, f"{place}[{number}]") for number, name in enumerate(value))


def _yes_or_no(value: Any, place: str) -> bool:
    if not isinstance(value, bool):
        raise RequestError("expected true or false", place)
    return value


def _number(low: float, high: float) -> Callable[[Any, str], float]:
    def read(value: Any, place: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RequestError("expected a number", place)
        if not low <= value <= high:
            words = f"{value:g}" if abs(value) < 1e300 and math.isfinite(value) else "it"
            raise RequestError(f"{words} is out of range; expected {low:g} to {high:g}", place)
        return float(value)

    return read


def _moment(value: Any, place: str) -> datetime:
    try:
        read = value if isinstance(value, datetime) else datetime.fromisoformat(value)
        aware = read.astimezone(UTC) if read.tzinfo is not None else None
    except (TypeError, ValueError, OverflowError):
        aware = None
    if aware is None:
        words = "expected a time with an offset, such as 2026-11-26T08:30:00+01:00"
        raise RequestError(words, place)
    return aware


def _ending(value: Any, place: str) -> str:
    if value not in ENDINGS:
        raise RequestError(unknown_words("ending", value, ENDINGS), place)
    return cast("str", value)


def _readers(names: Iterable[str], read: Callable[[Any, str], Any]) -> dict[str, Any]:
    return dict.fromkeys(names, read)


READERS: Mapping[str, Callable[[Any, str], Any]] = MappingProxyType(
    _readers(
        (
            *("complaint", "test", "outcome", "unit", "area", "part", "repair", "shown", "machine"),
            *("cause_part", "cause_mode", "comeback_of", "shop_reference"),
            *("machine_hash", "machine_version", "archive_hash", "priors_hash"),
        ),
        _name,
    )
    | _readers(("tools", "open_areas"), _names)
    | _readers(("fitted_new", "cause_seen"), _yes_or_no)
    | _readers(("minutes", "labour_minutes"), _number(0.0, MOST_MINUTES))
    | {
        "by": _who,
        "note": _note,
        "at": _moment,
        "ended": _ending,
        "reading": _number(-MOST_READING, MOST_READING),
        "sure": _number(1e-6, 1.0),
        "temperature_celsius": _number(-273.15, 1_000.0),
    }
)
"""Name of a field -> what reads it; one name means the same in every kind."""
