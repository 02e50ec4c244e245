"""Priors from closed repair orders; the package itself can be called, as `refit.refit.refit`."""

from diagnose.house import callable_package

__called__ = callable_package(__name__, "diagnose.refit.refit", "refit")
