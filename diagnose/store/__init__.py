"""Jobs that are kept."""
