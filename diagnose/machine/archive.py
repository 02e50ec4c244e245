"""From plain data to frozen dataclasses, whose type hints say how; a machine as JSON and back.

Needs neither the YAML reader nor pydantic: a warm start has to be quick.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from diagnose.errors import MachineFileError, Problem
from diagnose.machine.model import Machine

FORMAT = 1
"""Raised whenever the fields of a machine change their meaning."""

T = TypeVar("T")
Decoder = Callable[[Any], Any]


def machine_to_json(machine: Machine) -> str:
    """The machine as one line of JSON; `machine_from_json` gives an equal machine back."""
    content = {"format": FORMAT, "machine": machine}
    return json.dumps(content, default=_plain, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> dict[str, Any]:
    if isinstance(value, Mapping):
        return dict(value)
    return {item.name: getattr(value, item.name) for item in fields(value)}


def machine_from_json(text: str) -> Machine:
    """The machine that `machine_to_json` wrote.

    Raises:
        MachineFileError: the text is not such a machine, or of another format number.
    """
    try:
        content = json.loads(text, parse_constant=_no_constant)
        if content["format"] != FORMAT:
            raise _unreadable(f"has format {content['format']!r}; expected {FORMAT}")
        return frozen(Machine, content["machine"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _unreadable(f"cannot be read: {error or type(error).__name__}") from error


def _no_constant(name: str) -> float:
    raise ValueError(f"met {name}; expected finite numbers")


def _unreadable(message: str) -> MachineFileError:
    return MachineFileError("archive", [Problem(0, 0, message, "file_unreadable")])


def frozen(type_: Callable[..., T], data: Any) -> T:
    """A value of a dataclass from a mapping or entry with its fields; whole numbers become floats.

    Keys that are no field are left aside, fields with a default may be missing, and what is
    already of the type asked for stays as it is.

    Raises:
        KeyError: a field is missing.
        TypeError: a value is of another type than its field.
    """
    value: T = _decoder(type_)(data)
    return value


@cache
def _decoder(annotation: Any) -> Decoder:
    origin, args = get_origin(annotation), get_args(annotation)
    if is_dataclass(annotation):
        return _dataclass(annotation)
    if origin in (Union, UnionType):
        return _union(args)
    if origin is tuple:
        return _tuple(_decoder(args[0]), None if args[-1] is ... else len(args))
    if origin is Mapping:
        inner = _decoder(args[1])
        return lambda data: {key: inner(value) for key, value in data.items()}
    if origin is Literal:
        return _scalar(str, str)
    return _scalar(annotation, (int, float) if annotation is float else annotation)


def _dataclass(type_: Any) -> Decoder:
    hints = get_type_hints(type_, localns={"Mapping": Mapping})
    decoders = [
        (f.name, _decoder(hints[f.name]), f.default is MISSING and f.default_factory is MISSING)
        for f in fields(type_)
    ]

    def decode(data: Any) -> Any:
        if isinstance(data, type_):
            return data
        data = data if isinstance(data, dict) else dict(data)
        given = [(name, inner) for name, inner, needed in decoders if needed or name in data]
        return type_(**{name: inner(data[name]) for name, inner in given})

    return decode


def _union(types: tuple[Any, ...]) -> Decoder:
    *others, last = [_decoder(type_) for type_ in types if type_ is not NoneType]

    def decode(data: Any) -> Any:
        if data is None and NoneType in types:
            return None
        for choice in others:
            with suppress(TypeError):
                return choice(data)
        return last(data)

    return decode


def _tuple(inner: Decoder, length: int | None) -> Decoder:
    def decode(data: Any) -> tuple[Any, ...]:
        if not isinstance(data, list | tuple) or length not in (None, len(data)):
            raise TypeError(f"expected a list, met {data!r:.40}")
        return tuple([inner(item) for item in data])

    return decode


def _scalar(type_: Any, accepted: Any) -> Decoder:
    def decode(data: Any) -> Any:
        if not isinstance(data, accepted) or (isinstance(data, bool) and type_ is not bool):
            raise TypeError(f"expected {type_.__name__}, met {data!r:.40}")
        return type_(data)

    return decode
