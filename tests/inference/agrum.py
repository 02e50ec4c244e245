"""Imports pyAgrum. Its import makes a DeprecationWarning inside C code; with warnings turned into
errors, as in this test run, that crashes the interpreter. So it is imported with them ignored."""

from __future__ import annotations

import warnings

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pyagrum

__all__ = ["pyagrum"]
