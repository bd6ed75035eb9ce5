"""Work on sensors recorded, proven and reviewed."""
