"""Types shared by all entries of a machine file."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

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


class Entry(BaseModel):
    """Base of all entries: no unknown keys, no text for numbers, never changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class SourcedEntry(Entry):
    """An entry that may say where its numbers come from."""

    source: Words | None = Field(
        default=None,
        description="Where the numbers come from: a citation, `common practice` or `estimate`.",
    )
