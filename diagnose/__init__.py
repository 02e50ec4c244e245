"""Fault diagnosis for machines that will not start."""
