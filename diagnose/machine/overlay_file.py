"""Priors files: YAML that people may read and edit, checked line by line."""

from __future__ import annotations

import io
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose import cache
from diagnose.errors import MachineFileError, PriorsFileError, Problem
from diagnose.machine.load import read_content
from diagnose.machine.overlay import (
    AREA,
    REPAIR,
    TEST,
    Bin,
    Group,
    Judged,
    Overlay,
    Rate,
    Score,
    overlay_from_json,
    overlay_to_json,
)
from diagnose.whole import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Machine

KIND = "priors"
"""Of the bundles on disk that hold a priors file as it was read."""

HEAD = ("machine", "machine_version", "machine_hash", "parent_hash", "window_from", "window_to")
SECTIONS = {TEST: "tests", AREA: "areas", REPAIR: "repairs"}
DIGITS = 6


def read_overlay(path: str | Path, machine: Machine) -> Overlay:
    """The priors in a file, for a machine as its own file says.

    A file that was read before is found again by its content, so that a warm start needs no YAML.

    Raises:
        PriorsFileError: it cannot be read or has problems; all are listed with their places.
        PriorsMismatchError: it was made for another machine, version or file.
    """
    place = Path(path)
    try:
        content = read_content(place)
        text = content.decode("utf-8-sig")
    except MachineFileError as error:
        raise PriorsFileError(str(path), error.problems) from error
    except UnicodeDecodeError as error:
        problem = Problem(0, 0, "the file is not UTF-8 text", "file_unreadable")
        raise PriorsFileError(str(path), [problem]) from error
    key = cache.content_hash(
        content, machine.content_hash.encode(), cache.source_hash(("machine",))
    )
    overlay = _kept(key)
    if overlay is None:
        overlay = parse_overlay(text, machine, str(path))
        text = overlay_to_json(overlay)
        cache.store(KIND, key, {"text": _bytes(text)})
    overlay.check_made_for(machine)
    return overlay


def parse_overlay(text: str, machine: Machine, file: str = "priors.yaml") -> Overlay:
    """Check the YAML of a priors file, named `file` in messages.

    Raises:
        PriorsFileError, PriorsMismatchError: as `read_overlay`.
    """
    from diagnose.machine.document import read_document  # noqa: PLC0415  YAML on reading only
    from diagnose.machine.overlay_check import OverlayReader  # noqa: PLC0415

    reader = OverlayReader(read_document(text, "priors"))
    overlay = reader.overlay()
    if overlay is not None:
        overlay.check_made_for(machine)
        reader.check_names(machine)
    problems = reader.told()
    if overlay is None or problems:
        raise PriorsFileError(file, problems)
    return overlay


def laid_over(machine: Machine, text: str) -> Machine:
    """A machine with the priors of a priors file's text.

    Raises:
        PriorsFileError, PriorsMismatchError: as `read_overlay`.
    """
    return parse_overlay(text, machine).applied(machine)


def overlay_text(overlay: Overlay) -> str:
    """An overlay as the YAML of a priors file; numbers have six digits.

    What is written is what is meant: `rounded` gives the overlay that reading it brings back.
    """
    from ruamel.yaml import YAML  # noqa: PLC0415  YAML on writing only
    from ruamel.yaml.comments import CommentedMap  # noqa: PLC0415
    from ruamel.yaml.scalarstring import DoubleQuotedScalarString as Quoted  # noqa: PLC0415

    def flow(values: Mapping[str, Any]) -> Any:
        made = CommentedMap(values)
        made.fa.set_flow_style()
        return made

    head = {name: Quoted(getattr(overlay, name)) for name in HEAD}
    content: dict[str, Any] = {"priors": {**head, "orders": overlay.orders}}
    rates: dict[str, Any] = {}
    for (part, mode), rate in overlay.rates.items():
        rates.setdefault(part, {})[mode] = flow(_rate(rate))
    factors: dict[str, Any] = {}
    for (cause, part, mode), factor in overlay.factors.items():
        factors.setdefault(cause, {}).setdefault(part, {})[mode] = _digits(factor)
    content["rates"] = rates
    content["causes"] = {name: flow(_rate(rate)) for name, rate in overlay.causes.items()}
    content["factors"] = factors
    content["unlisted"] = {name: flow(_rate(rate)) for name, rate in overlay.unlisted.items()}
    for name in ("words_fit_percent", "slip_percent"):
        content[name] = {key: _digits(value) for key, value in getattr(overlay, name).items()}
    content["minutes"] = _minutes(overlay)
    if overlay.new_part_bad_per_1000 is not None:
        content["new_part_bad_per_1000"] = _digits(overlay.new_part_bad_per_1000)
    content["not_identified"] = [
        {"members": flow_list(group.members), **_rate(group.rate)}
        for group in overlay.not_identified
    ]
    if overlay.judged is not None:
        content["judged"] = _judged(overlay.judged, Quoted, flow)
    yaml = YAML(pure=True)
    yaml.width = 100
    out = io.StringIO()
    yaml.dump({name: held for name, held in content.items() if held not in ({}, [])}, out)
    return f"{_comment(overlay)}{out.getvalue()}"


def _judged(judged: Judged, quoted: Any, flow: Any) -> dict[str, Any]:
    told: dict[str, Any] = {"verdict": judged.verdict, "reason": quoted(judged.reason)}
    scores = [_digits_of(score) | {"title": quoted(score.title)} for score in judged.scores]
    bins = [_digits_of(own) for own in judged.calibration]
    for name, entries in (("scores", scores), ("calibration", bins)):
        if entries:
            told[name] = [flow(entry) for entry in entries]
    return told


def _digits_of(record: Any) -> dict[str, Any]:
    """The fields of a flat record; its numbers as a file holds them."""
    held = asdict(record)
    return {name: _digits(v) if isinstance(v, float) else v for name, v in held.items()}


def flow_list(items: tuple[str, ...]) -> Any:
    """Texts as a YAML list on one line."""
    from ruamel.yaml.comments import CommentedSeq  # noqa: PLC0415

    made = CommentedSeq(items)
    made.fa.set_flow_style()
    return made


def write_overlay(overlay: Overlay, path: str | Path) -> None:
    """Write a priors file.

    Raises:
        OSError: it cannot be written.
    """
    write_whole(path, overlay_text(overlay))


def _comment(overlay: Overlay) -> str:
    return (
        f"# Priors of {overlay.machine}, learnt from {overlay.orders} closed orders. low and high\n"
        "# are 90 % limits; learnt says how far the figure is the orders' own (below 0.5: as\n"
        "# shipped). What is not named here is as the machine's file says.\n"
    )


def _rate(rate: Rate) -> dict[str, float]:
    names = ("per_1000_jobs", "low", "high", "equivalent_cases", "learnt")
    return {name: _digits(getattr(rate, name)) for name in names}


def _digits(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _minutes(overlay: Overlay) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for (noun, name), value in overlay.minutes.items():
        section = found.setdefault(SECTIONS[noun], {})
        if noun == REPAIR:
            part, _, repair = name.partition(".")
            section.setdefault(part, {})[repair] = _digits(value)
        else:
            section[name] = _digits(value)
    return found


def rounded(overlay: Overlay) -> Overlay:
    """The overlay with its numbers as a priors file holds them; its version is the file's."""

    def each(rates: Mapping[Any, Rate]) -> dict[Any, Rate]:
        return {key: Rate(**_rate(rate)) for key, rate in rates.items()}

    def numbers(values: Mapping[Any, float]) -> dict[Any, float]:
        return {key: _digits(value) for key, value in values.items()}

    bad = overlay.new_part_bad_per_1000
    return replace(
        overlay,
        rates=each(overlay.rates),
        causes=each(overlay.causes),
        factors=numbers(overlay.factors),
        unlisted=each(overlay.unlisted),
        words_fit_percent=numbers(overlay.words_fit_percent),
        slip_percent=numbers(overlay.slip_percent),
        minutes=numbers(overlay.minutes),
        new_part_bad_per_1000=None if bad is None else _digits(bad),
        not_identified=tuple(
            Group(group.members, Rate(**_rate(group.rate))) for group in overlay.not_identified
        ),
        judged=None if overlay.judged is None else _rounded(overlay.judged),
    )


def _rounded(judged: Judged) -> Judged:
    return Judged(
        judged.verdict,
        judged.reason,
        tuple(Score(**_digits_of(score)) for score in judged.scores),
        tuple(Bin(**_digits_of(own)) for own in judged.calibration),
    )


def _bytes(text: str) -> Any:
    import numpy as np  # noqa: PLC0415  the machine room works without arrays elsewhere

    return np.frombuffer(text.encode(), np.uint8)


def _kept(key: str) -> Overlay | None:
    stored = cache.load(KIND, key)
    try:
        return None if stored is None else overlay_from_json(bytes(stored["text"]).decode())
    except (KeyError, ValueError, TypeError):
        return None
