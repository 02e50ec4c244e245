"""The dictionaries of part kinds and test kinds are complete and sourced."""

from __future__ import annotations

from dataclasses import fields
from importlib import resources
from typing import cast, get_args

import pytest

from diagnose.machine import dictionary, model
from diagnose.machine.dictionary import part_kinds, test_kinds
from diagnose.machine.document import read_document
from diagnose.machine.ends import MAIN_ROLES, NO_WIRING
from diagnose.machine.schema import MachineFile
from diagnose.machine.subject import Subject
from diagnose.machine.wiring import Wiring


def test_every_kind_has_its_row() -> None:
    assert set(part_kinds()) == set(get_args(model.PartKind))
    assert set(test_kinds()) == set(get_args(model.TestKind))


def test_every_datum_has_a_source() -> None:
    for kind in part_kinds().values():
        assert kind.source
        assert kind.modes
        assert all(mode.source and mode.title for mode in kind.modes.values())
    assert all(kind.source for kind in test_kinds().values())


def test_no_key_of_the_tables_is_left_aside() -> None:
    for name, type_ in (("part", dictionary.PartDefaults), ("test", dictionary.TestDefaults)):
        text = resources.files("diagnose.datasets").joinpath(f"{name}_kinds.yaml").read_text()
        rows = {kind: row for kind, row in read_document(text).data.items() if kind != "unsteady"}
        for row in rows.values():
            assert set(row) <= {field.name for field in fields(type_)}
            for mode in row.get("modes", {}).values():
                assert set(mode) <= {field.name for field in fields(dictionary.ModeKind)}


def test_main_paths_of_the_table_are_those_that_are_wired() -> None:
    for kind, row in part_kinds().items():
        if kind == "mechanical":
            assert (row.main_path, row.conducts) == ((), False)
            continue
        usual = ("supply", "output") if kind == "controller" else ("from", "to")
        assert row.main_path == MAIN_ROLES.get(kind, usual)
        assert row.conducts == (kind not in NO_WIRING)


def test_the_dictionaries_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        part_kinds()["fuse"] = part_kinds()["wire"]  # type: ignore[index]
    with pytest.raises(AttributeError):
        part_kinds()["fuse"].ohms = 1.0  # type: ignore[misc]


def test_every_mode_does_something() -> None:
    """What is mechanical does what its file says, and nothing to a circuit."""
    for kind in (row for name, row in part_kinds().items() if name != "mechanical"):
        for name, mode in kind.modes.items():
            effects = [mode.ohms, mode.ohms_factor, mode.short_ohms, mode.emf_volts]
            effects += [mode.coil_ohms, mode.pull_in_volts]
            flags = [mode.open, mode.loose, mode.always_closed, mode.never_closed, mode.coil_open]
            assert any(flags) or any(e is not None for e in effects) or mode.at_best, name


def test_default_bounds_fall_and_the_last_has_none() -> None:
    for kind in test_kinds().values():
        if kind.unit is None or not kind.outcomes:
            continue
        *bounds, last = [outcome.at_least for outcome in kind.outcomes.values()]
        assert last is None
        known = [bound for bound in bounds if bound is not None]
        assert len(known) == len(bounds)
        assert known == sorted(set(known), reverse=True)


NOTHING_WIRED = Wiring({}, adrift=True, unsure=frozenset())


def test_a_section_left_out_defines_no_names_unless_the_file_needs_it() -> None:
    for name, field in MachineFile.model_fields.items():
        if name == "machine":
            continue
        for text, is_known in (
            ("machine: {}\n", not field.is_required()),
            ("mashine: {}\n", False),
        ):
            subject = Subject(cast("MachineFile", None), read_document(text), NOTHING_WIRED)
            assert subject.section(name) == ({} if is_known else None)
