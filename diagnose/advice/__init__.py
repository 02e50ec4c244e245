"""What to do next: tests, repairs, and why."""
