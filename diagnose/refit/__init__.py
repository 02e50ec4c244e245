"""Priors from closed repair orders."""
