"""Names misspelt by the thousand take work in proportion to the file, not to its square."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import pytest

from diagnose import errors
from diagnose.errors import MOST_SHOWN
from diagnose.machine import nearest
from diagnose.machine.checks import check_text
from diagnose.machine.nearest import MOST_COMPARED, nearest_of

if TYPE_CHECKING:
    from collections.abc import Iterable


def misspelt(good: str, nets: int) -> str:
    """The good file with so many nets, and joints that misspell two of them each."""
    named = "".join(f"  junction_{i:05d}: junction {i}\n" for i in range(nets))
    joints = "".join(
        f"  joint_{i:05d}: {{kind: connector, title: J, from: juntcion_{i:05d}, "
        f"to: junctoin_{i:05d}, source: estimate, modes: {{open: {{per_1000_jobs: 0.01}}}}}}\n"
        for i in range(nets)
    )
    return good.replace("\nnets:\n", f"\nnets:\n{named}").replace(
        "\nparts:\n", f"\nparts:\n{joints}"
    )


@pytest.mark.parametrize("nets", [100, 400])
def test_names_compared_letter_by_letter_are_bounded(
    larkfield_text: str, monkeypatch: pytest.MonkeyPatch, nets: int
) -> None:
    compared = []

    def counted(met: str, valid: Iterable[str]) -> str | None:
        names = list(valid)
        compared.append(len(names))
        found = difflib.get_close_matches(met, names, n=1, cutoff=0.5)
        return found[0] if found else None

    monkeypatch.setattr(nearest, "nearest_name", counted)
    monkeypatch.setattr(errors, "nearest_name", counted)
    _, problems = check_text(misspelt(larkfield_text, nets))
    assert [p.rule for p in problems].count("unknown_net") == 2 * nets
    assert sum(compared) <= MOST_SHOWN * MOST_COMPARED
    assert next(p.nearest for p in problems if p.rule == "unknown_net") == "junction_00000"
    assert all(problem.nearest is None for problem in problems[MOST_SHOWN:])


@pytest.mark.parametrize("size", [10, 3_000])
@pytest.mark.parametrize(
    ("met", "meant"),
    [
        ("lamp_wrie", "lamp_wire"),
        ("lampwire", "lamp_wire"),
        ("lamp_wires", "lamp_wire"),
        ("lamp_wir", "lamp_wire"),
        ("wire_lamp", None),
        ("zzz", None),
    ],
)
def test_the_nearest_of_many_is_that_of_few(met: str, meant: str | None, size: int) -> None:
    names = ["lamp_wire", *(f"hay_tedder_{i}" for i in range(size))]
    found = nearest_of(met, names)
    plain = difflib.get_close_matches(met, names, n=1, cutoff=0.5)
    assert found == (plain[0] if plain else None)
    if meant is not None:
        assert found == meant


def test_a_text_is_no_misspelt_name() -> None:
    assert nearest_of("lamp_wire" * 20, ["lamp_wire" * 20 + "s"]) is None
