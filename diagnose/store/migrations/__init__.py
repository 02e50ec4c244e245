"""Versions of the tables, and how one becomes the next."""
