"""What is asked of a tank, and what it can bear."""
