"""One file for each version of the tables, the oldest first."""
