"""Modules joined into few files: what is in them runs as it would by itself."""

from __future__ import annotations

import json
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest
from diagnose.api.joined import joined
from diagnose.api.page import ENTRIES, FOLDER, page_files

if TYPE_CHECKING:
    from pathlib import Path

TEXTS = {
    "first.mjs": 'import { one as uno } from "./low.mjs";\nexport const first = uno + 1;\n',
    "low.mjs": "let kept = 0;\nexport const one = 1;\n"
    "export function count() { return (kept += 1); }\n",
    "last.mjs": 'import * as low from "./low.mjs";\nimport plain from "./vendor/plain.mjs";\n'
    'import { first } from "./first.mjs";\n'
    "low.count();\nexport class Told {}\nexport async function later() {}\n"
    "export const told = [first, low.one, low.count(), plain, typeof Told];\n",
    "vendor/plain.mjs": "export default 'as it is';\n",
}


def test_they_run_as_they_would_by_themselves(tmp_path: Path) -> None:
    """In node; a module that two files need is one module, whose state they share."""
    (tmp_path / "vendor").mkdir()
    (tmp_path / "vendor/plain.mjs").write_text(TEXTS["vendor/plain.mjs"], "utf-8")
    made = joined(TEXTS, ("first.mjs", "last.mjs"))
    assert set(made) == {"first.mjs", "last.mjs"}
    assert "kept = 0" in made["first.mjs"]
    assert "kept = 0" not in made["last.mjs"]
    for name, text in made.items():
        (tmp_path / name).write_text(text, "utf-8")
    run = "import { told } from './last.mjs'; console.log(JSON.stringify(told));"
    (tmp_path / "run.mjs").write_text(run, "utf-8")
    node = shutil.which("node")
    assert node is not None
    done = subprocess.run([node, "run.mjs"], cwd=tmp_path, capture_output=True, check=True)
    assert json.loads(done.stdout) == [2, 1, 2, "as it is", "function"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('import "./low.mjs";\n', "cannot be joined"),
        ("const a = 1;\nexport { a };\n", "cannot be joined"),
        ("export default 3;\n", "cannot be joined"),
        ('import { a } from "./first.mjs";\n', "need each other"),
    ],
)
def test_what_it_cannot_read_it_refuses(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        joined({"first.mjs": text}, ("first.mjs",))


def test_the_page_comes_in_few_files() -> None:
    """Six connections of HTTP/1.1 fetch all that the first card needs at once."""
    files = page_files()
    modules = {name for name in files.bodies if name.endswith(".mjs")}
    vendored = {f"vendor/{path.name}" for path in (FOLDER / "vendor").glob("*.mjs")}
    assert modules == {*ENTRIES, *vendored}
    shell = files.shell.decode()
    assert shell.count("modulepreload") + shell.count('rel="stylesheet"') <= 7
    assert "views.mjs" not in shell
