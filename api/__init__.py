"""The JSON API of the shop."""
