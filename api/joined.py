"""Modules of the page joined into few files, so that a slow line is crossed few times.

Nothing is built: the text of each module goes in as it is, inside a function of its own that gives
what it exports. Our own modules keep to the few forms of import and export that are read here;
vendored ones are left alone and imported by the joined files.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

IMPORT = re.compile(r'^import (.+?) from "\./(.+?)";$', re.MULTILINE)
EXPORT = re.compile(
    r"^export (?=(?:async function|function|class|const) ([A-Za-z_$][\w$]*))", re.MULTILINE
)
VENDOR = "vendor/"


def joined(texts: Mapping[str, str], entries: Sequence[str]) -> dict[str, str]:
    """Name of an entry -> its text with that of all it imports.

    Args:
        texts: name -> text of each module, vendored ones among them.
        entries: modules that stay; each module goes to the first that needs it, and the later
            ones import it from there.

    Raises:
        ValueError: a module has a form of import or export that is not known here, or two
            modules need each other.
    """
    home: dict[str, str] = {}
    made: dict[str, str] = {}
    for entry in entries:
        order: list[str] = []
        _collect(texts, entry, order, ())
        own = [name for name in order if name not in home]
        home |= dict.fromkeys(own, entry)
        made[entry] = _one(texts, entry, own, home)
    return made


def _collect(texts: Mapping[str, str], name: str, order: list[str], above: tuple[str, ...]) -> None:
    """Put a module behind all that it imports."""
    if name in above:
        raise ValueError(f"modules that need each other: {' -> '.join((*above, name))}")
    if name in order or name.startswith(VENDOR):
        return
    for _, needed in IMPORT.findall(texts[name]):
        _collect(texts, needed, order, (*above, name))
    order.append(name)


def _one(texts: Mapping[str, str], entry: str, own: Sequence[str], home: Mapping[str, str]) -> str:
    used = {needed for name in own for _, needed in IMPORT.findall(texts[name])}
    lines = [
        f'import * as {_variable(name)} from "./{name}";'
        for name in sorted(used)
        if name.startswith(VENDOR)
    ]
    elsewhere = sorted(name for name in used if name not in own and name in home)
    for other in dict.fromkeys(home[name] for name in elsewhere):
        variables = ", ".join(_variable(name) for name in elsewhere if home[name] == other)
        lines.append(f'import {{ {variables} }} from "./{other}";')
    lines += [_wrapped(name, texts[name]) for name in own]
    lines.append(f"export {{ {', '.join(_variable(name) for name in own)} }};")
    exported = EXPORT.findall(texts[entry])
    if exported:
        lines.append(f"export const {{ {', '.join(exported)} }} = {_variable(entry)};")
    return "\n".join(lines) + "\n"


def _wrapped(name: str, text: str) -> str:
    exported = EXPORT.findall(text)
    body = EXPORT.sub("", IMPORT.sub(_taken, text))
    if re.search(r"^(import|export)\b", body, re.MULTILINE):
        raise ValueError(f"{name}: a form of import or export that cannot be joined")
    given = f"return {{ {', '.join(exported)} }};"
    return f"const {_variable(name)} = (() => {{\n{body}{given}\n}})();"


def _taken(found: re.Match[str]) -> str:
    """What stands in the place of an import."""
    names, module = found[1].strip(), _variable(found[2])
    if names.startswith("{"):
        return f"const {names.replace(' as ', ': ')} = {module};"
    if names.startswith("* as "):
        return f"const {names.removeprefix('* as ')} = {module};"
    return f"const {names} = {module}.default;"


def _variable(name: str) -> str:
    """Name of the variable that holds what a module exports."""
    return "$" + re.sub(r"\W", "_", name.removesuffix(".mjs"))
