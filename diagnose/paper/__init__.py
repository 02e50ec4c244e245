"""What is said of a job on paper and on screen."""
