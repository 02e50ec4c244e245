"""What can be asked for at the terminal."""
