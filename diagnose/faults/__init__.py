"""Fault sets: what a machine does under them, and how likely they are."""
