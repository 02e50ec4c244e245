"""Machine files; data only."""
