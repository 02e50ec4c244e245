"""Frozen data as plain lists and dictionaries, field by field; nothing that is plain is copied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

_PLAIN = (str, int, float, type(None))


def plain(value: Any) -> Any:
    """What JSON can write of a value: dataclasses become dictionaries, tuples lists."""
    if isinstance(value, _PLAIN):
        return value
    if isinstance(value, tuple | list):
        return [plain(each) for each in value]
    if isinstance(value, Mapping):
        return {name: plain(each) for name, each in value.items()}
    return {name: plain(getattr(value, name)) for name in _names(type(value))}  # type: ignore[arg-type]


@cache
def _names(type_: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(type_))
