"""What is said, seen and done on a job, step by step."""
