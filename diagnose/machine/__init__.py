"""From a machine file to checked, frozen data."""
