"""Exact inference on discrete networks; knows nothing of machines."""
