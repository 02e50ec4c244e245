"""The wiring of a machine file under check, as far as it can be told.

A part with a problem in its entry still lies where its terminals say. So that one fault does not
hide another, a *stand-in* with its kind and nets takes its place while the wiring is looked at. A
part whose kind or nets cannot be told is *adrift*: then nothing is said about nets that lead
nowhere, since it might lie there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, get_args

from pydantic import ValidationError

from diagnose.errors import nearest_name
from diagnose.machine.entries import AnyPart, PartEntry, keys_of
from diagnose.machine.nearest import LONGEST_COMPARED, Names, nearest_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from diagnose.machine.document import Path

MODELS: Mapping[str, type[PartEntry]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model
    for model in get_args(get_args(AnyPart)[0])
}
"""Kind of part -> class of its entry."""

NEEDED: Mapping[str, Mapping[str, float]] = {"wire": {"metres": 1.0}, "fuse": {"amps": 1e5}}
"""What a stand-in has where its entry says nothing sound: a fuse that is never too small."""

NOT_WIRING = frozenset({"title", "area", "unit", "source", "modes", "repairs"})

NOT_NETS = NOT_WIRING | {"ohms", "amps", "watts", "metres", "awg", "mm2", "emf_volts"}
"""Keys that say nothing of where a part lies."""

MOST_MISSPELT = 50
"""Nets that are not described and for which the one meant is looked for; with more, all parts that
touch them are adrift."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """Parts with their nets.

    Attributes:
        parts: the sound entries, and stand-ins for others.
        adrift: whether some part is missing among them.
        unsure: nets that are not described, those that may have been meant, and those that a part
            without a sound entry mentions: nothing is said of them.
    """

    parts: Mapping[str, AnyPart]
    adrift: bool
    unsure: frozenset[str]


def wiring_of(
    sound: Mapping[str, AnyPart],
    text: Mapping[str, Any],
    nets: Mapping[str, Any] | None,
    bad: Iterable[Path],
) -> Wiring:
    """The wiring.

    Args:
        sound: the entries of parts without a problem.
        text: all parts as the text has them.
        nets: the nets as the text has them; None where they cannot be told.
        bad: paths of the problems in entries.
    """
    keys: dict[str, set[str]] = {}
    for path in bad:
        if path[0] == "parts" and len(path) > 2:
            keys.setdefault(str(path[1]), set()).add(str(path[2]))
    parts, adrift, unsure = dict[str, AnyPart](), False, set[str]()
    for name, entry in text.items():
        wrong = keys.get(name, set())
        part = sound.get(name) or _stand_in(entry, wrong)
        if part is None:
            adrift = True
        else:
            parts[name] = part
        if part is None or wrong - NOT_NETS:
            unsure |= {value for value in _texts(entry) if nets is None or value in nets}
    strange = {net for part in parts.values() for net in _nets(part)} - set(nets or ())
    if nets is None or not strange:
        return Wiring(parts, adrift, frozenset(unsure))
    if len(strange) > MOST_MISSPELT:
        return Wiring(parts, True, frozenset(unsure | strange))
    names = Names(nets)
    meant = {near for net in strange if (near := names.nearest(net)) is not None}
    return Wiring(parts, adrift, frozenset(unsure | strange | meant))


def _nets(part: AnyPart) -> Iterator[str]:
    yield from part.terminals.values()
    for given in part.inputs if part.kind == "controller" else ():
        yield from (given.net, given.against)


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from _texts(item)
    elif isinstance(value, str):
        yield value


def _stand_in(entry: Any, bad: set[str]) -> AnyPart | None:
    """A part with the kind and nets of an entry, and what else of its wiring is sound."""
    met = entry.get("kind") if isinstance(entry, dict) else None
    if not isinstance(met, str) or len(met) > LONGEST_COMPARED:
        return None
    kind = met if met in MODELS else nearest_name(met, MODELS)
    if kind is None:
        return None
    keys = keys_of(MODELS[kind])
    kept = {
        key: value
        for key, value in entry.items()
        if key in keys and key not in bad and key not in NOT_WIRING
    }
    terminals = [key for key, (_, mark) in keys.items() if mark and mark.section == "nets"]
    for key in terminals:
        if key not in kept and (meant := _misspelt(entry, key, keys)) is not None:
            kept[key] = meant
    data = {**NEEDED.get(kind, {}), **kept, "kind": kind, "title": "stand-in", "modes": {}}
    try:
        part: Any = MODELS[kind].model_validate(data)
    except ValidationError:
        return None
    stand_in: AnyPart = part
    return stand_in


def _misspelt(entry: Mapping[str, Any], key: str, keys: Mapping[str, Any]) -> str | None:
    """The net under a key that looks like `key` and is none."""
    spare = [k for k, value in entry.items() if k not in keys and isinstance(value, str)]
    meant = nearest_of(key, spare)
    return None if meant is None else str(entry[meant])
