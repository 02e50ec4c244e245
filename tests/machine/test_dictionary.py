"""The dictionaries of part kinds and test kinds are complete and sourced."""

from __future__ import annotations

from typing import get_args

import pytest

from diagnose.machine import model
from diagnose.machine.dictionary import part_kinds, test_kinds
from diagnose.machine.document import read_document
from diagnose.machine.schema import MachineFile
from diagnose.machine.subject import Subject


def test_every_kind_has_its_row() -> None:
    assert set(part_kinds()) == set(get_args(model.PartKind))
    assert set(test_kinds()) == set(get_args(model.TestKind))


def test_every_datum_has_a_source() -> None:
    for kind in part_kinds().values():
        assert kind.source
        assert kind.modes
        assert all(mode.source and mode.title for mode in kind.modes.values())
    assert all(kind.source for kind in test_kinds().values())


def test_the_dictionaries_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        part_kinds()["fuse"] = part_kinds()["wire"]  # type: ignore[index]
    with pytest.raises(AttributeError):
        part_kinds()["fuse"].ohms = 1.0  # type: ignore[misc]


def test_every_mode_does_something() -> None:
    for kind in part_kinds().values():
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


def test_a_section_left_out_defines_no_names_unless_the_file_needs_it() -> None:
    text = "machine: {}\n"
    for name, field in MachineFile.model_fields.items():
        for more, known in ((text, None if field.is_required() else {}), (text + "x: 1\n", None)):
            subject = Subject(MachineFile.model_construct(), read_document(more), whole=False)
            assert subject.section(name) == ({} if name == "machine" else known)
