"""A checked machine as JSON and back, exactly; needs neither the YAML reader nor pydantic."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Literal, Union, get_args, get_origin, get_type_hints

from diagnose.errors import MachineFileError, Problem
from diagnose.machine.model import Machine

if TYPE_CHECKING:
    from collections.abc import Callable

FORMAT = 1
"""Raised whenever the fields of a machine change their meaning."""


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
        machine: Machine = _decoder(Machine)(content["machine"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _unreadable(f"cannot be read: {error or type(error).__name__}") from error
    return machine


def _no_constant(name: str) -> float:
    raise ValueError(f"met {name}; expected finite numbers")


def _unreadable(message: str) -> MachineFileError:
    return MachineFileError("archive", [Problem(0, 0, message, "file_unreadable")])


@cache
def _decoder(annotation: Any) -> Callable[[Any], Any]:
    """A function that turns JSON data into a value of type `annotation`."""
    if is_dataclass(annotation):
        return _dataclass(annotation)
    origin, args = get_origin(annotation), get_args(annotation)
    if origin in (Union, UnionType):
        return _optional(_decoder(next(arg for arg in args if arg is not NoneType)))
    if origin is tuple:
        return _tuple(_decoder(args[0]), None if args[-1] is ... else len(args))
    if origin is Mapping:
        return _mapping(_decoder(args[1]))
    if origin is Literal:
        return _scalar(str, str)
    return _scalar(annotation, (int, float) if annotation is float else annotation)


def _dataclass(type_: Any) -> Callable[[Any], Any]:
    hints = get_type_hints(type_, localns={"Mapping": Mapping})
    decoders = [(item.name, _decoder(hints[item.name])) for item in fields(type_)]

    def decode(data: Any) -> Any:
        return type_(*[decoder(data[name]) for name, decoder in decoders])

    return decode


def _optional(inner: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda data: None if data is None else inner(data)


def _tuple(inner: Callable[[Any], Any], length: int | None) -> Callable[[Any], Any]:
    def decode(data: Any) -> tuple[Any, ...]:
        if not isinstance(data, list) or length not in (None, len(data)):
            raise TypeError(f"expected a list, met {data!r:.40}")
        return tuple([inner(item) for item in data])

    return decode


def _mapping(inner: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda data: {key: inner(value) for key, value in data.items()}


def _scalar(type_: Any, accepted: Any) -> Callable[[Any], Any]:
    def decode(data: Any) -> Any:
        if not isinstance(data, accepted) or (isinstance(data, bool) and type_ is not bool):
            raise TypeError(f"expected {type_.__name__}, met {data!r:.40}")
        return type_(data)

    return decode
