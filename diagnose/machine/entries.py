"""Types shared by all entries of a machine file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

if TYPE_CHECKING:
    from collections.abc import Mapping

ID_PATTERN = "^[a-z][a-z0-9_]*$"

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
"""Name that the file itself defines. References are plain text, checked against the names."""

Words = Annotated[str, StringConstraints(min_length=1)]
"""Text for a person, not empty."""

Finite = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Per1000 = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]

SomeNames = Annotated[list[str], Field(min_length=1)]
"""At least one name defined elsewhere in the file."""


@dataclass(frozen=True, slots=True)
class DefinedIn:
    """Marks a text as a name that must stand in a section, there as a part of one kind if given."""

    section: str
    kind: str = ""


NetName = Annotated[str, DefinedIn("nets")]
PartName = Annotated[str, DefinedIn("parts")]
SwitchName = Annotated[str, DefinedIn("parts", "switch")]
GeneratorName = Annotated[str, DefinedIn("parts", "generator")]
AreaName = Annotated[str, DefinedIn("areas")]
ToolName = Annotated[str, DefinedIn("tools")]
CautionName = Annotated[str, DefinedIn("cautions")]
ConditionName = Annotated[str, DefinedIn("conditions")]
FunctionName = Annotated[str, DefinedIn("functions")]
CauseName = Annotated[str, DefinedIn("shared_causes")]
TestName = Annotated[str, DefinedIn("tests")]


class Entry(BaseModel):
    """Base of all entries: no unknown keys, no text for numbers, never changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class SourcedEntry(Entry):
    """An entry that may say where its numbers come from."""

    source: Words | None = Field(
        default=None,
        description="Where the numbers come from: a citation, `common practice` or `estimate`.",
    )


@cache
def keys_of(model: type[Entry]) -> Mapping[str, tuple[str, DefinedIn | None]]:
    """Key in the file -> the field, and where the names it holds must be defined, if it does."""
    return {
        field.alias or name: (name, _mark((field.annotation, *field.metadata)))
        for name, field in model.model_fields.items()
    }


def _mark(hints: tuple[Any, ...]) -> DefinedIn | None:
    """The mark somewhere in type hints; those of other entries are not looked into."""
    for hint in hints:
        mark = hint if isinstance(hint, DefinedIn) else _mark(get_args(hint))
        if mark is not None:
            return mark
    return None
