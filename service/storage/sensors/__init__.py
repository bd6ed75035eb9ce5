"""Work on sensors."""
