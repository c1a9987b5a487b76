"""What a command runs, from files to results."""
