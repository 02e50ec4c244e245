"""Reference tables; data only."""
