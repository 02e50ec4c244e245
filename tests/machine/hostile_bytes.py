"""Hostile files by their bytes and their YAML, whatever they say."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from tests.machine.hostile_file import GOOD, Hostile, of_bytes, of_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BIG = 500_000
"""Bytes of a file that is long, and short enough to be read."""


def no_files() -> Iterator[Hostile]:
    """What is no file, or far too long."""

    def folder(path: Path) -> Path:
        path.mkdir()
        return path

    def pipe(path: Path) -> Path:
        os.mkfifo(path)
        return path

    def endless(path: Path) -> Path:
        path.symlink_to("/dev/zero")
        return path

    def ring(path: Path) -> Path:
        path.symlink_to(path)
        return path

    def large(path: Path) -> Path:
        with path.open("wb") as file:
            file.truncate(200_000_000)
        return path

    makers = {
        "missing": lambda path: path,
        "folder": folder,
        "pipe": pipe,
        "endless device": endless,
        "link to itself": ring,
        "200 megabytes": large,
        "name too long": lambda path: path.with_name(f"{'x' * 300}.yaml"),
        "just too long": of_bytes(b"#" * 1_000_001),
    }
    for name, make in makers.items():
        yield Hostile("no file", name, make, "file_unreadable")


def encodings() -> Iterator[Hostile]:
    """Bytes that are no text."""
    kind = "encoding"
    for name, content, rule, line, column in (
        ("latin-1", "machine:\n  title: Kühl".encode("latin-1"), "file_unreadable", 2, 11),
        ("utf-16", GOOD.encode("utf-16"), "file_unreadable", 1, 1),
        ("cut in a letter", "a: ü".encode()[:-1], "file_unreadable", 1, 4),
        ("noise", bytes(range(128, 256)) * 50, "file_unreadable", 1, 1),
        ("empty", b"", "yaml_syntax", 1, 1),
        ("blank", b"  \n\n", "yaml_syntax", 1, 1),
        ("mark of byte order alone", b"\xef\xbb\xbf", "yaml_syntax", 1, 1),
        ("zero bytes", b"machine:\n  id: a\x00b\n", "yaml_syntax", 2, 8),
        ("escape codes", b"machine:\n  id: \x1b[2J\n", "yaml_syntax", 2, 7),
        ("carriage returns", b"\r" * 1000, "yaml_syntax", 1, 1),
    ):
        yield Hostile(kind, name, of_bytes(content), rule, line, column)


def syntax() -> Iterator[Hostile]:
    """Text that is no YAML, or YAML that machine files do not use."""
    kind = "syntax"
    for name, text, rule, line, column in (
        ("tab", "machine:\n\tid: a\n", "yaml_syntax", 2, 1),
        ("open brace", "a: {b: 1\nc: 2\n", "yaml_syntax", 2, 2),
        ("open bracket", "a: [1, 2\n", "yaml_syntax", 2, 1),
        ("wrong bracket", "a: {b: [1, 2}\n", "yaml_syntax", 1, 13),
        ("open quotes", 'a: "b\nc: d\n', "yaml_syntax", 3, 1),
        ("colon in a text", "a: b: c\n", "yaml_syntax", 1, 5),
        ("wrong indent", "a:\n  b: 1\n c: 2\n", "yaml_syntax", 3, 2),
        ("no text mark", "a: @b\n", "yaml_syntax", 1, 4),
        ("unknown escape", 'a: "\\q"\n', "yaml_syntax", 1, 6),
        ("two documents", "a: 1\n---\nb: 2\n", "yaml_syntax", 2, 1),
        ("a list", "- a\n- b\n", "yaml_syntax", 1, 1),
        ("a number", "1e308\n", "yaml_syntax", 1, 1),
        ("an object", "!!python/object/apply:os.system [ls]\n", "yaml_tag", 1, 1),
        ("a tag", "machine: !secret\n  id: a\n", "yaml_tag", 1, 10),
        ("an alias of itself", "a: &a [*a]\n", "yaml_alias", 1, 8),
        ("laughs", _laughs(), "yaml_alias", 2, 5),
        ("a key twice", "machine: {id: a, id: b}\n", "duplicate_key", 1, 18),
        ("a key that is a list", "? [a, b]\n: c\n", "key_not_text", 1, 3),
        ("a key that is true", "true: 1\n", "key_not_text", 1, 1),
        ("a merge key", "machine:\n  <<: {id: a}\n", "unknown_key", 2, 3),
    ):
        yield of_text(kind, name, text, rule, line, column)


def _laughs() -> str:
    """Aliases of aliases: a billion lines, were they followed (known as billion laughs)."""
    lines = ["a0: &a0 [ha, ha]"]
    for number in range(1, 30):
        before = ", ".join([f"*a{number - 1}"] * 10)
        lines.append(f"a{number}: &a{number} [{before}]".replace(": &", ":\n    &"))
    return "\n".join(lines[:1]) + "\nb: [*a0, *a0]\n" + "\n".join(lines[1:]) + "\n"


def long_syntax() -> Iterator[Hostile]:
    """Half a megabyte of one thing."""
    kind = "long"
    many = BIG // 2
    for name, text, rule, line, column in (
        ("brackets", "[" * BIG, "yaml_syntax", 1, 42),
        ("braces", "a: " + "{a: " * (BIG // 4), "yaml_syntax", 1, 164),
        ("dashes", "- " * many, "yaml_syntax", 1, 83),
        ("questions", "? " * many, "yaml_syntax", 1, 83),
        ("steps", "".join(" " * i + "a:\n" for i in range(1300)), "yaml_syntax", 42, 42),
        ("items", f"a: [{'1,' * 46_000}1]", "yaml_syntax", 1, 0),
        ("a long tag", f"a: !{'x' * BIG} b", "yaml_syntax", 1, 4),
        ("a long anchor", f"a: &{'x' * BIG} b", "yaml_syntax", 1, 4),
        ("a long alias", f"a: *{'x' * BIG}", "yaml_syntax", 1, 4),
        ("a long key", f"{'k' * BIG}: 1", "yaml_syntax", 1, 0),
        ("a long word", f"machine: {'x' * BIG}", "text_too_long", 1, 10),
        ("a long line of words", f"machine: {'word ' * (BIG // 5)}", "text_too_long", 1, 10),
        ("a long quoted text", f'machine: "{"x" * BIG}"', "text_too_long", 1, 10),
        ("lines of text", "machine: >\n" + "  x\n" * 100_000, "text_too_long", 1, 10),
        ("comments", "# x\n" * (BIG // 4), "yaml_syntax", 1, 1),
        ("digits", f"machine: {'9' * BIG}", "wrong_type", 1, 10),
        ("hexadecimal digits", f"machine: 0x{'f' * BIG}", "wrong_type", 1, 10),
        ("directives", "%YAML 1.2\n" * 1000, "yaml_syntax", 2, 1),
        ("colons", ":" * BIG, "yaml_syntax", 1, 0),
        ("documents", "---\n" * 100_000, "yaml_syntax", 2, 1),
    ):
        yield of_text(kind, name, text, rule, line, column)
