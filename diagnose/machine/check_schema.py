"""From what pydantic says about a machine file to problems with line, column and remedy."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, get_args, get_origin

from diagnose.errors import Problem
from diagnose.machine.document import dotted
from diagnose.machine.entries import Entry, keys_of
from diagnose.machine.nearest import Misnamed, listed, shown
from diagnose.machine.schema import MachineFile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from diagnose.machine.document import Document, Path

TAGGED = ("parts", "functions", "tests")
"""Sections whose entries are told apart by `kind`; pydantic adds the kind to its places."""

NUMBER_TYPES = frozenset({"float_type", "int_type", "float_parsing", "int_parsing"})

RANGE_TYPES = frozenset(
    {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"}
)

UNITS = frozenset({"minutes", "volts", "ohms", "amps", "metres", "eur", "percent", "mm2", "watts"})
"""Last words of keys that name a unit."""

EXPECTED = {
    "string_type": "text",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "list_type": "a list",
    "dict_type": "a mapping",
    "model_type": "a mapping",
    "model_attributes_type": "a mapping",
    "bool_type": "true or false",
    "string_too_short": "text that is not empty",
}

BARE = {
    "length": ("metres",),
    "size": ("mm2", "awg"),
    "gauge": ("awg",),
    "section": ("mm2",),
    "time": ("minutes", "open_minutes"),
    "duration": ("minutes",),
    "price": ("price_eur",),
    "cost": ("price_eur",),
    "prior": ("per_1000_jobs",),
    "rate": ("per_1000_jobs",),
    "probability": ("per_1000_jobs",),
    "resistance": ("ohms",),
    "voltage": ("at_least_volts", "emf_volts", "nominal_volts"),
    "current": ("amps", "at_least_amps"),
    "rating": ("amps",),
    "power": ("watts",),
    "at_least": ("at_least_volts", "at_least_amps", "at_least_ohms"),
}
"""Words people write for a number, and the keys with the unit that they stand for."""


def schema_problems(error: ValidationError, document: Document) -> Iterator[tuple[Path, Problem]]:
    """Each thing pydantic found: the path of the value concerned, and the problem."""
    for detail in error.errors(include_url=False):
        path, is_key = error_path(detail["loc"])
        yield path, _problem(detail, path, document, is_key=is_key)


def error_path(loc: Path) -> tuple[Path, bool]:
    """Path in the file of a place as pydantic gives it, and whether the key itself is meant."""
    path = list(loc)
    if len(path) > 2 and path[0] in TAGGED and path[2] != "[key]":
        del path[2]
    is_key = bool(path) and path[-1] == "[key]"
    if is_key:
        del path[-1]
    if len(path) > 1 and path[-2] == "at_best":  # its two types are tried one after the other
        del path[-1]
    return tuple(path), is_key


def _problem(detail: ErrorDetails, path: Path, document: Document, *, is_key: bool) -> Problem:
    type_ = detail["type"]
    if path in document.bare:
        return _without_colon(path, document)
    if is_key or type_ == "string_pattern_mismatch":
        return _no_name(detail, path, document, is_key=is_key)
    if type_ == "missing":
        return _missing(detail["loc"], path, document)
    for begins, words in (
        ("extra_forbidden", _extra),
        ("union_tag", _kind),
        ("literal_error", _choice),
    ):
        if type_.startswith(begins):
            return words(detail, path, document)
    return document.problem(path, *_value(detail, path))


def _no_name(detail: ErrorDetails, path: Path, document: Document, *, is_key: bool) -> Problem:
    """A key or text that should be a name and cannot be one."""
    in_text = not is_key and detail["input"] != path[-1]
    met = detail["input"] if in_text else str(path[-1])
    message = f"{shown(met)} is no valid name; expected e.g. 'main_fuse'"
    return document.problem(path, message, "id_pattern", key=not in_text)


def _without_colon(path: Path, document: Document) -> Problem:
    """Words between two commas of a `{...}` that nobody can make anything of."""
    message = (
        f"met {shown(str(path[-1]))} without a colon and a value; if it belongs to the text "
        "before the comma, put that text into double quotes"
    )
    return Problem(*document.key_place(path), f"{dotted(path[:-1])}: {message}", "comma_in_text")


def _missing(loc: Path, path: Path, document: Document) -> Problem:
    *parent, key = path
    if not parent:
        return Problem(1, 1, f"the section `{key}` is missing", "missing_key")
    model = _model_at(loc[:-1])
    if path[0] == "parts" and len(path) == 3 and model is not None and keys_of(model)[str(key)][1]:
        message = f"`{key}` is missing; give the net that this terminal is joined to"
        return document.problem(tuple(parent), message, "part_without_net", key=True)
    return document.problem(tuple(parent), f"`{key}` is missing", "missing_key", key=True)


def _extra(detail: ErrorDetails, path: Path, document: Document) -> Problem:
    key, value = str(path[-1]), detail["input"]
    model = _model_at(detail["loc"][:-1])
    valid = tuple(keys_of(model)) if model is not None else ()
    with_unit = _with_unit(key, valid)
    if with_unit and (_is_number(value) or (isinstance(value, str) and value[:1].isdigit())):
        message = f"the key `{key}` does not name its unit; write `{with_unit}`"
        return document.problem(path, message, "unit_missing", key=True)
    message = f"{dotted(path)}: unknown key `{shown(key)[1:-1]}`"
    return Misnamed(
        *document.key_place(path),
        message,
        "unknown_key",
        met=key,
        valid=valid,
        hint="; nearest is `{}`",
        otherwise=f"; expected one of {', '.join(valid)}",
    )


def _with_unit(key: str, valid: tuple[str, ...]) -> str | None:
    direct = [name for name in BARE.get(key, ()) if name in valid]
    alike = [name for name in valid if key in name.split("_") or name.startswith(f"{key}_")]
    return next(iter(direct + alike), None)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _kind(detail: ErrorDetails, path: Path, document: Document) -> Problem:
    entries = MachineFile.model_fields[str(path[0])].annotation
    valid = [kind for model in _models(entries) for kind in _kinds(model)]
    entry = detail["input"]
    if not isinstance(entry, dict) or "kind" not in entry:
        message = f"`kind` is missing; expected one of {', '.join(valid)}"
        return document.problem(path, message, "missing_key", key=True)
    return document.unknown((*path, "kind"), "kind", str(entry["kind"]), valid, "wrong_choice")


def _choice(detail: ErrorDetails, path: Path, document: Document) -> Problem:
    met = detail["input"]
    valid = re.findall(r"'([^']*)'", str(detail.get("ctx", {}).get("expected", "")))
    seen = "nothing" if met is None else shown(met)
    return Misnamed(
        *document.value_place(path),
        f"{dotted(path)}: met {seen}{listed(valid)}",
        "wrong_choice",
        met=str(met),
        valid=valid,
    )


def _value(detail: ErrorDetails, path: Path) -> tuple[str, str]:
    type_, met = detail["type"], detail["input"]
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    seen = "nothing" if met is None else shown(met)
    if type_ in NUMBER_TYPES and isinstance(met, str):
        unit = key.rsplit("_", 1)[-1]
        of = f" of {unit}" if unit in UNITS else ""
        message = f"met the text {seen}; expected a number{of}, without quotes or unit"
        return message, "number_as_text"
    if type_ in RANGE_TYPES:
        said = detail["msg"].removeprefix("Input ").replace("should be", "it must be")
        rule = "negative_minutes" if key.endswith("minutes") else "out_of_range"
        if key.startswith("per_1000") and _is_number(met) and met > 1000:
            rule = "prior_too_high"
        return f"met {seen}; {said}", rule
    if type_ == "too_short":
        return f"met {seen}; expected at least one entry", "empty"
    return f"met {seen}; expected {EXPECTED.get(type_, detail['msg'])}", "wrong_type"


def _model_at(loc: Path) -> type[Entry] | None:
    """Class of the entry at a place as pydantic gives it, None where no entry stands."""
    hint: Any = MachineFile
    for step in loc:
        models, items = _models(hint), _items(hint)
        if items is not None:
            hint = items
        elif len(models) == 1:
            field = keys_of(models[0]).get(str(step), ("", None))[0]
            hint = models[0].model_fields[field].annotation if field else None
        else:
            hint = next((model for model in models if step in _kinds(model)), None)
    models = _models(hint)
    return models[0] if len(models) == 1 and _items(hint) is None else None


def _items(hint: Any) -> Any:
    """What a hint says of the items of a list or mapping, None where it is of neither."""
    if get_origin(hint) in (dict, list):
        return get_args(hint)[-1]
    return next((items for items in map(_items, get_args(hint)) if items is not None), None)


def _models(annotation: Any) -> list[type[Entry]]:
    """The classes of entries that a type hint speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return [annotation]
    return [model for choice in get_args(annotation) for model in _models(choice)]


def _kinds(model: type[Entry]) -> tuple[str, ...]:
    field = model.model_fields.get("kind")
    return get_args(field.annotation) if field is not None else ()
