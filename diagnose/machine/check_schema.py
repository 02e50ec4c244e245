"""From what pydantic says about a machine file to problems with line, column and remedy."""

from __future__ import annotations

import re
import types
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin

from diagnose.errors import Problem, nearest_name
from diagnose.machine.entries import Entry
from diagnose.machine.schema import MachineFile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from diagnose.machine.document import Document, Path

TAGGED = ("parts", "functions", "tests")
"""Sections whose entries are told apart by `kind`; pydantic adds the kind to its places."""

TERMINALS = frozenset(
    (
        "from",
        "to",
        "plus",
        "minus",
        "coil_in",
        "coil_out",
        "contact_in",
        "contact_out",
        "supply",
        "ground",
        "output",
    )
)

NUMBER_TYPES = frozenset({"float_type", "int_type", "float_parsing", "int_parsing"})

RANGE_TYPES = frozenset(
    {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"}
)

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
    where = ".".join(str(step) for step in path)
    if is_key or type_ == "string_pattern_mismatch":
        message = f"{where}: {str(path[-1])!r} is no valid name; expected e.g. 'main_fuse'"
        return Problem(*document.key_place(path), message, "id_pattern")
    if type_ == "missing":
        return _missing(path, document)
    if type_ == "extra_forbidden":
        return _extra(detail, path, document)
    if type_.startswith("union_tag"):
        return _kind(path, document)
    message, rule = _value(detail, path)
    return Problem(*document.value_place(path), f"{where}: {message}", rule)


def _missing(path: Path, document: Document) -> Problem:
    key, parent = str(path[-1]), path[:-1]
    where = ".".join(str(step) for step in parent)
    message = f"{where}: `{key}` is missing" if where else f"the section `{key}` is missing"
    is_net = path[0] == "parts" and len(path) == 3 and key in TERMINALS
    if is_net:
        message += "; give the net that this terminal is joined to"
    place = document.key_place(parent) if parent else (1, 1)
    return Problem(*place, message, "part_without_net" if is_net else "missing_key")


def _extra(detail: ErrorDetails, path: Path, document: Document) -> Problem:
    key = str(path[-1])
    place = document.key_place(path)
    where = ".".join(str(step) for step in path)
    valid = keys_at(path[:-1], document)
    with_unit = _with_unit(key, valid)
    value = detail["input"]
    if with_unit and (_is_number(value) or (isinstance(value, str) and value[:1].isdigit())):
        message = f"{where}: the key `{key}` does not name its unit; write `{with_unit}`"
        return Problem(*place, message, "unit_missing")
    nearest = nearest_name(key, valid)
    hint = f"nearest is `{nearest}`" if nearest else f"expected one of {', '.join(valid)}"
    return Problem(*place, f"{where}: unknown key `{key}`; {hint}", "unknown_key")


def _with_unit(key: str, valid: tuple[str, ...]) -> str | None:
    direct = [name for name in BARE.get(key, ()) if name in valid]
    alike = [name for name in valid if key in name.split("_") or name.startswith(f"{key}_")]
    return next(iter(direct + alike), None)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _kind(path: Path, document: Document) -> Problem:
    where = ".".join(str(step) for step in path)
    valid = _kinds_of(str(path[0]))
    entry = value_at(document.data, path)
    if not isinstance(entry, dict) or "kind" not in entry:
        message = f"{where}: `kind` is missing; expected one of {', '.join(valid)}"
        return Problem(*document.key_place(path), message, "missing_key")
    met = entry["kind"]
    nearest = nearest_name(str(met), valid)
    hint = f"nearest is {nearest!r}" if nearest else f"expected one of {', '.join(valid)}"
    place = document.value_place((*path, "kind"))
    return Problem(*place, f"{where}.kind: unknown kind {met!r}; {hint}", "wrong_choice")


def _value(detail: ErrorDetails, path: Path) -> tuple[str, str]:
    type_, met = detail["type"], detail["input"]
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    shown = "nothing" if met is None else repr(met)
    if type_ in NUMBER_TYPES and isinstance(met, str):
        unit = _unit_of(key)
        return (
            f"met the text {shown}; expected a number{unit}, without quotes or unit",
            "number_as_text",
        )
    if type_ in RANGE_TYPES:
        said = detail["msg"].removeprefix("Input ").replace("should be", "it must be")
        rule = "out_of_range"
        if key.endswith("minutes"):
            rule = "negative_minutes"
        elif key.startswith("per_1000") and _is_number(met) and met > 1000:
            rule = "prior_too_high"
        return f"met {shown}; {said}", rule
    if type_ == "literal_error":
        valid = re.findall(r"'([^']*)'", str(detail.get("ctx", {}).get("expected", "")))
        nearest = nearest_name(str(met), valid)
        hint = f"; nearest is {nearest!r}" if nearest else ""
        return f"met {shown}; expected one of {', '.join(valid)}{hint}", "wrong_choice"
    if type_ == "too_short":
        return f"met {shown}; expected at least one entry", "empty"
    return f"met {shown[:60]}; expected {EXPECTED.get(type_, detail['msg'])}", "wrong_type"


def _unit_of(key: str) -> str:
    last = key.rsplit("_", 1)[-1]
    units = {"minutes", "volts", "ohms", "amps", "metres", "eur", "percent", "mm2", "watts"}
    return f" of {last}" if last in units else ""


def value_at(data: Any, path: Path) -> Any:
    """Value at `path`, None when there is none."""
    for step in path:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            return None
    return data


def keys_at(path: Path, document: Document) -> tuple[str, ...]:
    """Keys that the mapping at `path` may have."""
    annotation: Any = MachineFile
    for i, step in enumerate(path):
        annotation = _step(annotation, step, value_at(document.data, path[:i]))
    model = _model(annotation, value_at(document.data, path))
    if model is None:
        return ()
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _step(annotation: Any, step: str | int, data: Any) -> Any:
    model = _model(annotation, data)
    if model is not None:
        fields = {field.alias or name: field for name, field in model.model_fields.items()}
        return fields[str(step)].annotation if step in fields else None
    for choice in _choices(annotation):
        if get_origin(choice) in (dict, list):
            return get_args(choice)[-1]
    return None


def _choices(annotation: Any) -> list[Any]:
    origin = get_origin(annotation)
    if origin is Annotated:
        return _choices(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        return [one for choice in get_args(annotation) for one in _choices(choice)]
    return [annotation]


def _model(annotation: Any, data: Any) -> type[Entry] | None:
    models = [c for c in _choices(annotation) if isinstance(c, type) and issubclass(c, Entry)]
    if len(models) <= 1:
        return models[0] if models else None
    kind = data.get("kind") if isinstance(data, dict) else None
    return next((model for model in models if kind in _literal(model)), None)


def _literal(model: type[Entry]) -> tuple[str, ...]:
    annotation = model.model_fields["kind"].annotation
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _kinds_of(section: str) -> tuple[str, ...]:
    entries = get_args(MachineFile.model_fields[section].annotation)[-1]
    return tuple(kind for model in _choices(entries) for kind in _literal(model))
