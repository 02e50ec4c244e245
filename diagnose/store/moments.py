"""Times as the tables hold them: in UTC, to the microsecond, always as long."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> datetime:
    """This moment."""
    return datetime.now(UTC)


def moment_text(moment: datetime) -> str:
    """`2026-11-26T08:30:00.000000+00:00`: sorts as the times do."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def moment_of(text: str | None) -> datetime | None:
    """The time that a text of the tables tells; None for None."""
    return None if text is None else datetime.fromisoformat(text)
